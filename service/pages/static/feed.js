// The round: one card after the other. What is touched becomes an entry of the queue.
"use strict";
(() => {
  const round = document.getElementById("round");
  const words = JSON.parse(round.dataset.words);
  const cards = [...round.querySelectorAll("[data-card]")];
  const [state, problems, list] = ["state", "problems", "list"].map((name) => round.querySelector(`[data-${name}]`));
  const keypad = round.querySelector(".pad"); // one for all cards: it goes to the card that asks
  const allDone = round.querySelector("[data-all-done]");
  const zone = document.body.dataset.zone;
  let entries = [], usable = true, current = null, drawn = "";

  const fill = (text, values) => text.replace(/%\((\w+)\)s/g, (_, name) => values[name]);
  const time = (at) => new Date(at).toLocaleTimeString("en-GB", { timeZone: zone, hour: "2-digit", minute: "2-digit" });
  const make = (tag, more = {}, ...inside) => {
    const made = document.createElement(tag);
    for (const [name, value] of Object.entries(more)) {
      if (name in made && name !== "list") made[name] = value; else made.setAttribute(name, value);
    }
    made.append(...inside.filter((each) => each !== null));
    return made;
  };

  // What a form says, as the API takes it; the same as the page's own address makes of it.
  const number = (text) => Math.round(Number(String(text ?? "").trim().replace(",", ".")) * 1000);
  const massOf = (thousandths, unit) => ({ value: String(thousandths / 1000), unit });
  const put = (tree, [first, ...rest], value) => {
    if (rest.length) put((tree[first] ??= {}), rest, value); else tree[first] = value;
  };
  const lists = (tree) => {
    if (typeof tree !== "object") return tree;
    const inside = Object.fromEntries(Object.entries(tree).map(([name, below]) => [name, lists(below)]));
    return Object.keys(inside).every((name) => /^\d+$/.test(name)) ? Object.values(inside) : inside;
  };
  const wasSaid = (mass) => mass && mass.value !== undefined;
  const itemOf = (item, how) => {
    const { left, cold, lost, ...rest } = item, unit = item.offered.unit, offered = number(item.offered.value);
    const parts = { cold, lost, ...(how === "some" ? { left } : {}) };
    let eaten = offered;
    for (const [name, mass] of Object.entries(parts)) {
      if (!wasSaid(mass)) continue;
      eaten -= number(mass.value);
      if (name !== "left") rest[name] = massOf(number(mass.value), unit);
    }
    if (!(eaten >= 0)) throw new Error(words.tooMuch);
    return { ...rest, offered: massOf(offered, unit), eaten: massOf(how === "refused" ? 0 : eaten, unit) };
  };
  const leftOf = (each, full, how) => {
    const left = how === "all" ? 0 : how === "refused" ? number(full) : number(each.left.value);
    if (!(left >= 0 && left <= number(full))) throw new Error(words.tooMuch);
    return { thaw_batch: each.thaw_batch, left: massOf(left, each.left.unit) };
  };
  const bodyOf = (fields, how, path) => {
    const tree = {}, value = (name) => (fields.find((field) => field[0] === name) || [])[1];
    for (const [name, said] of fields) if (!name.startsWith("_") && said.trim()) put(tree, name.split("."), said.trim());
    const { items, left, carries, ...body } = lists(tree);
    if (how === "not_offered" && !body.note) throw new Error(words.sayWhy);
    if (how === "refused") body.appetite = "none";
    if (path !== "/v1/feeds") {
      if (how === "not_offered") return { not_fed: body.note };
      const pieces = (carries || []).map((each) => (how === "refused" ? { outcome: "refused", ...each } : each));
      const said = (left || []).map((each, n) => [each, value(`_full.${n}`)]).filter(([each]) => how !== "some" || wasSaid(each.left));
      return { ...body, left: said.map(([each, full]) => leftOf(each, full, how)), carries: pieces };
    }
    if (how === "not_offered") return { ...body, items: [], outcome: "not_offered" };
    return { ...body, items: (items || []).map((item) => itemOf(item, how)) };
  };
  const fieldsOf = (form) => [...form.elements].filter((field) => field.name && !["button", "submit"].includes(field.type) &&
    (!["radio", "checkbox"].includes(field.type) || field.checked)).map((field) => {
    const label = field.type === "hidden" || field.type === "radio" ? null : field.labels[0];
    return [field.name, field.value, label ? label.textContent.trim() : ""];
  });

  // Which card is done on this tablet: what waits or is disputed, and what was stored since this page was made.
  const entryOf = (card) => entries.findLast((entry) => entry.card === card.dataset.card &&
    (entry.state !== "stored" || Date.parse(feedQueue.shown) <= Date.parse(entry.storedOn)));
  const open = () => cards.filter((card) => !entryOf(card));

  const show = (card, move = true) => {
    current = card;
    for (const each of cards) each.hidden = each !== card;
    allDone.hidden = Boolean(card) || !cards.length;
    if (!card) return;
    leave(card.querySelector("form"));
    if (!move) return;
    // A finger that touches twice must not feed the next animal.
    card.inert = true;
    setTimeout(() => { card.inert = false; if (!document.querySelector("dialog[open]")) card.focus(); }, 350);
  };
  const next = (from) => {
    const left = open(), after = cards.indexOf(from);
    show(left.find((card) => cards.indexOf(card) > after) || left[0] || null);
    drawList();
  };

  const part = (form, name) => form.querySelectorAll(`[data-${name}]`);
  const showing = (form, names, yes) => { for (const name of names) for (const each of part(form, name)) each.hidden = !yes; };
  const leave = (form) => {
    showing(form, ["some", "some-pad", "more", "then"], false);
    if (part(form, "note")[0].querySelector("textarea").value === "") showing(form, ["note"], false);
    showing(form, ["acts", "scripted"], true);
  };
  const ask = (form, how) => {
    const [store] = part(form, "store");
    store.value = how;
    store.formNoValidate = how !== "some";
    showing(form, ["acts", "scripted"], false);
    showing(form, ["then"], true);
    showing(form, how === "some" ? ["some", "some-pad", "more", "note"] : ["note"], true);
    if (how === "some") part(form, "some-pad")[0].append(keypad);
    const field = how === "some" ? form.querySelector("[data-left-over]") : form.querySelector("textarea");
    if (how === "some") field?.scrollIntoView({ block: "center" });
    field?.focus();
  };
  const fault = (form, text) => {
    let line = form.querySelector("[data-fault-here]");
    if (!text) { line?.remove(); return; }
    if (!line) { line = make("p", { className: "problem", "data-fault-here": "", role: "alert" }); form.append(line); }
    line.textContent = text;
  };
  const count = (fish) => {
    const value = (name) => fish.querySelector(`[data-${name}]`)?.value || "0";
    const full = fish.querySelector("[data-offered]")?.value ?? fish.dataset.full;
    const eaten = number(full) - number(value("left-over")) - number(value("cold")) - number(value("lost"));
    const output = fish.querySelector("[data-eaten]");
    if (output) output.textContent = eaten >= 0 ? String(eaten / 1000) : "–";
  };

  const store = async (card, form, submitter) => {
    const how = submitter.value, path = form.dataset.feed, fields = fieldsOf(form);
    let body;
    try { body = bodyOf(fields, how, path); } catch (problem) { fault(form, problem.message); return; }
    fault(form, "");
    card.inert = true; // one touch, one feed
    try {
      await feedQueue.add({ card: card.dataset.card, name: card.dataset.name, path, how, fields, body });
    } catch {
      usable = card.inert = false;
      form.dataset.direct = "";
      form.requestSubmit(submitter);
      return;
    }
    await read();
    next(card);
  };

  for (const card of cards) {
    const form = card.querySelector("form");
    form.addEventListener("submit", (event) => {
      if (!usable || "direct" in form.dataset) return;
      event.preventDefault();
      store(card, form, event.submitter || form.querySelector("[value=all]"));
    });
    form.addEventListener("click", (event) => {
      const button = event.target.closest("button");
      if (!button) return;
      if (button.closest("[data-acts]") && ["some", "not_offered"].includes(button.value)) { event.preventDefault(); ask(form, button.value); }
      else if ("back" in button.dataset) leave(form);
      else if ("addNote" in button.dataset) { showing(form, ["note"], true); form.querySelector("textarea").focus(); }
      else if ("later" in button.dataset) next(card);
    });
    form.addEventListener("input", (event) => { const fish = event.target.closest("[data-fish]"); if (fish) count(fish); });
    form.addEventListener("focusin", (event) => {
      const pad = form.querySelector(".pad");
      if (pad && event.target.inputMode === "decimal") pad.dataset.for = event.target.id;
    });
  }

  const drawList = () => {
    list.hidden = !cards.length;
    list.replaceChildren(make("p", { className: "strong" }, fill(words.left, { n: open().length, all: cards.length })), ...cards.map((card) => {
      const entry = entryOf(card);
      const says = entry ? words[{ stored: "stored", waits: "waiting", refused: "refused", paper: "paper" }[entry.state]] : "";
      const button = make("button", { type: "button", disabled: Boolean(entry), className: entry ? "done" : "" },
        make("span", {}, `${card.dataset.at} ${card.dataset.name}`), says ? make("span", { className: "mark" }, says) : null);
      if (card === current) button.setAttribute("aria-current", "step");
      button.addEventListener("click", () => { show(card); drawList(); });
      return button;
    }));
  };

  const drawState = () => {
    const mine = entries.filter((entry) => entry.state === "waits" && entry.user === feedQueue.user);
    const theirs = new Map();
    for (const entry of entries) if (entry.state === "waits" && entry.user !== feedQueue.user) theirs.set(entry.user, (theirs.get(entry.user) || 0) + 1);
    const at = feedQueue.synced(), last = feedQueue.lastPass();
    const says = [mine.length ? fill(words.waits, { n: mine.length }) : words.sent, at ? fill(words.synced, { at: time(at) }) : words.never, fill(words.asOf, { at: time(feedQueue.shown) })];
    const lines = [make("p", {}, says.join(" "))];
    if (!usable) lines.push(make("p", { className: "problem" }, words.noQueue));
    if (mine.length && last === "offline") lines.push(make("p", { className: "problem" }, words.offline));
    if (mine.length && last === "busy") lines.push(make("p", { className: "problem" }, words.busy));
    if (mine.length && last === "logIn") lines.push(make("p", { className: "problem" }, `${fill(words.logIn, { who: feedQueue.user })} `, make("a", { href: "/log-in?next=/feed" }, words.logInLink)));
    for (const [who, n] of theirs) lines.push(make("p", { className: "problem" }, fill(words.whose, { n, who })));
    state.replaceChildren(...lines);
  };

  // What was not stored, and what was stored against a rule: in words, and what can be done.
  const drawEntry = (entry) => {
    const mark = entry.state === "stored" && entry.words.length ? words.against : words[{ stored: "stored", waits: "waiting", refused: "refused", paper: "paper" }[entry.state]];
    const article = make("article", { className: entry.state === "refused" ? "card urgent" : "entry" },
      make("p", {}, make("strong", {}, entry.name), ` ${time(entry.occurredAt)} · ${words.by} ${entry.user} `, make("span", { className: entry.state === "refused" ? "mark stop" : "mark" }, mark)));
    for (const each of entry.words) article.append(make("p", {}, each));
    if (entry.paper) article.append(make("p", { className: "quiet" }, entry.paper));
    if (entry.state === "refused" && entry.user === feedQueue.user) {
      const acts = make("div", { className: "row" });
      const act = (text, work, main) => acts.append(make("button", { type: "button", className: main ? "main-act" : "", onclick: work }, text));
      act(words.change, () => change(entry));
      if (entry.mayBeFact) act(words.fact, () => feedQueue.again(entry, { fact: true }));
      act(words.onPaper, () => paper(entry));
      article.append(acts);
    }
    return article;
  };
  const drawProblems = () => {
    const signature = JSON.stringify(entries.map((entry) => [entry.number, entry.state, entry.words]));
    if (signature === drawn) return;
    drawn = signature;
    const disputed = entries.filter((entry) => entry.state === "refused" || (entry.state === "stored" && entry.words.length));
    const opened = problems.querySelector("details")?.open;
    problems.replaceChildren(...disputed.map(drawEntry));
    const rest = entries.filter((entry) => !disputed.includes(entry));
    if (rest.length) {
      problems.append(make("details", { open: Boolean(opened) }, make("summary", {}, `${words.entries} (${rest.length})`), ...rest.slice(-60).reverse().map(drawEntry)));
    }
  };

  const dialog = (title, inside, submit, work) => {
    const form = make("form", { method: "dialog" }, make("h2", {}, title), ...inside);
    const box = make("dialog", {}, form);
    form.append(make("div", { className: "row" }, make("button", { className: "main-act", value: "yes" }, submit),
      make("button", { type: "button", onclick: () => box.close() }, words.cancel)));
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      Promise.resolve().then(() => work(form)).then(() => box.close(), (problem) => fault(form, problem.message));
    });
    box.addEventListener("close", () => box.remove());
    document.body.append(box);
    box.showModal();
  };
  const change = (entry) => dialog(entry.name, entry.fields.flatMap(([name, value, label], n) => {
    if (!label || (entry.how === "not_offered" && name !== "note") || (entry.how !== "some" && /\.left\./.test(name))) return [];
    const id = `change-${n}`, field = make(name === "note" ? "textarea" : "input", { id, name: String(n), value, autocomplete: "off" });
    if (/\.thaw_batch$/.test(name)) field.setAttribute("list", "batches");
    if (/\.value$/.test(name)) field.inputMode = "decimal";
    return [make("div", { className: "field" }, make("label", { htmlFor: id }, label), field)];
  }), words.send, (form) => {
    const fields = entry.fields.map((field, n) => [field[0], form.elements.namedItem(String(n))?.value ?? field[1], field[2]]);
    return feedQueue.again(entry, { fields, body: bodyOf(fields, entry.how, entry.path) });
  });
  const paper = (entry) => dialog(words.onPaper, [make("div", { className: "field" }, make("label", { htmlFor: "paper-why" }, words.why),
    make("input", { id: "paper-why", name: "why", required: true, autocomplete: "off" }))], words.onPaper,
  (form) => feedQueue.decide(entry, { state: "paper", paper: form.elements.why.value.trim() }));

  let asked = 0;
  const read = async () => {
    const mine = asked += 1;
    const found = await feedQueue.all();
    if (mine === asked) entries = found;
  };
  const draw = async () => {
    try { await read(); } catch { usable = false; }
    if (current ? entryOf(current) : open().length) show(open()[0] || null, false);
    drawState();
    drawProblems();
    drawList();
  };

  // Until the queue was read nobody knows which card is next: none takes a touch.
  for (const each of cards) { each.hidden = each !== cards[0]; each.inert = true; leave(each.querySelector("form")); }
  round.classList.add("scripted");
  feedQueue.watch(draw);
  feedQueue.tidy().catch(() => {}).then(draw).then(() => {
    for (const each of cards) each.inert = false;
    if (!current) show(open()[0] || null, false);
    drawList();
    feedQueue.sync();
  });
  if ("serviceWorker" in navigator) navigator.serviceWorker.register("/service-worker.js").catch(() => {});
})();
