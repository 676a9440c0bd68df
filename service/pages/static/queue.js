// The queue of feeds on this tablet: each is kept here before it is sent, and sent once, in order.
// What was sent is frozen with its key, so that an answer that was lost does no harm.
"use strict";
const feedQueue = (() => {
  const STORE = "entries", DAY_MS = 86400e3, LATE_MS = 120e3, PATIENCE_MS = 20e3, OPENING_MS = 4e3;
  const { user, now: shown } = document.body.dataset;
  const watching = [];
  const others = "BroadcastChannel" in window ? new BroadcastChannel("fishhouse feeds") : null;
  let lastPass = null, pending = null;

  const answerOf = (request) => new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
    request.onblocked = () => reject(new Error("blocked"));
  });
  let opened;
  const database = () => {
    opened ||= Promise.resolve().then(() => {
      const asked = indexedDB.open("fishhouse feeds", 1);
      asked.onupgradeneeded = () => asked.result.createObjectStore(STORE, { keyPath: "number", autoIncrement: true });
      // A store that never answers is one that keeps nothing.
      const tooLong = new Promise((_, reject) => { setTimeout(() => reject(new Error("no answer")), OPENING_MS); });
      return Promise.race([answerOf(asked), tooLong]);
    });
    return opened;
  };
  const inStore = async (mode, work) => {
    const transaction = (await database()).transaction(STORE, mode, { durability: "strict" });
    const over = new Promise((resolve, reject) => {
      transaction.oncomplete = resolve;
      transaction.onabort = () => reject(transaction.error || new Error("aborted"));
    });
    const [result] = await Promise.all([answerOf(work(transaction.objectStore(STORE))), over]);
    return result;
  };

  const changed = (told = true) => { for (const each of watching) each(); if (told && others) others.postMessage("changed"); };
  if (others) others.onmessage = () => changed(false);
  const all = () => inStore("readonly", (store) => store.getAll());
  const save = async (entry) => { await inStore("readwrite", (store) => store.put(entry)); changed(); return entry; };
  const newKey = () => [...crypto.getRandomValues(new Uint8Array(16))].map((byte) => byte.toString(16).padStart(2, "0")).join("");

  // By the service's clock: the newest page that this tablet was shown. A card that was stored
  // after a page was made stands on that page still.
  const newest = () => {
    let kept = "";
    try { kept = localStorage.getItem("fishhouse shown") || ""; } catch { /* none */ }
    const found = Date.parse(kept) > Date.parse(shown) ? kept : shown;
    try { localStorage.setItem("fishhouse shown", found); } catch { /* none */ }
    return found;
  };
  const synced = (at) => {
    try {
      if (at) localStorage.setItem("fishhouse synced", at);
      return localStorage.getItem("fishhouse synced");
    } catch { return null; }
  };

  // What comes next is the queue's to say where it can be stored as a fact.
  const wordsOf = (problem, status, mayBeFact) => {
    const words = [problem.detail || `${status}`];
    for (const each of problem.findings || []) if (each.outcome === "block" && !words[0].includes(each.because)) words.push(each.because);
    if (problem.next && !mayBeFact) words.push(problem.next);
    return words;
  };

  // What becomes of one entry: "stored" and "refused" are its own, all else stops the pass.
  const send = async (entry) => {
    const late = Date.now() - Date.parse(entry.occurredAt) > LATE_MS;
    const mayBeFact = entry.path === "/v1/feeds";
    if (!entry.sent) {
      const body = { ...entry.body, occurred_at: entry.occurredAt };
      if (mayBeFact && (late || entry.fact)) body.already_done = true;
      entry = await save({ ...entry, sent: JSON.stringify(body) });
    }
    let answer, said;
    try {
      answer = await fetch(entry.path, {
        method: "POST", body: entry.sent, signal: AbortSignal.timeout(PATIENCE_MS),
        headers: {
          "Content-Type": "application/json", Accept: "application/json", "Idempotency-Key": entry.key,
          "Device-Time": new Date().toISOString(), "As-User": encodeURIComponent(entry.user),
        },
      });
      said = await answer.json();
    } catch { return answer && answer.status >= 500 ? "busy" : "offline"; }
    if (answer.ok) {
      const words = (said.breaches || []).map((each) => each.because);
      await save({ ...entry, state: "stored", words, storedOn: newest(), storedAt: new Date().toISOString() });
      return "stored";
    }
    if (answer.status === 401) return "logIn";
    if (answer.status >= 500 || [408, 425, 429].includes(answer.status)) return "busy";
    // Nothing was stored under this key. What happened a while ago is a fact, whatever a rule says.
    if (answer.status === 409 && (said.findings || []).length && mayBeFact && late && !entry.sent.includes('"already_done":true')) {
      return send(await save({ ...entry, key: newKey(), sent: null, fact: true }));
    }
    const fact = mayBeFact && answer.status === 409 && (said.findings || []).length > 0;
    await save({ ...entry, state: "refused", words: wordsOf(said, answer.status, fact), mayBeFact: fact });
    return "refused";
  };

  const pass = async () => {
    let last = null;
    for (const { number } of await all()) {
      const entry = await inStore("readonly", (store) => store.get(number));
      if (!entry || entry.state !== "waits" || entry.user !== user) continue;
      last = await send(entry);
      if (!["stored", "refused"].includes(last)) break;
    }
    if (last) lastPass = last;
    if (["stored", "refused"].includes(last)) synced(new Date().toISOString());
    changed(last !== null);
  };
  // One sender at a time on this tablet, whichever tab; a call while it sends is one more pass.
  const sync = () => {
    pending ||= (async () => {
      const go = () => { pending = null; return pass(); };
      try { await (navigator.locks ? navigator.locks.request("fishhouse feeds", go) : go()); } catch { pending = null; }
    })();
    return pending;
  };

  const add = async (entry) => {
    const whole = { ...entry, key: newKey(), user, occurredAt: new Date().toISOString(), state: "waits", words: [], sent: null };
    await inStore("readwrite", (store) => store.add(whole));
    changed();
    if (navigator.storage && navigator.storage.persist) navigator.storage.persist().catch(() => {});
    sync();
  };
  // What is decided about a refusal. Nothing, where that was decided before: by a second touch, or in another tab.
  const decide = async (entry, more) => {
    await inStore("readwrite", (store) => {
      const asked = store.get(entry.number);
      asked.addEventListener("success", () => {
        const kept = asked.result;
        if (kept && kept.state === "refused" && kept.key === entry.key) store.put({ ...kept, ...more });
      });
      return asked;
    });
    changed();
  };
  // Once more, as something new: what was refused was not stored under its old key.
  const again = async (entry, more) => {
    await decide(entry, { ...more, key: newKey(), sent: null, state: "waits", words: [] });
    return sync();
  };
  const tidy = async () => {
    for (const entry of await all()) {
      const age = Date.now() - Date.parse(entry.occurredAt);
      const over = (entry.state === "stored" && age > 2 * DAY_MS) || (entry.state === "paper" && age > 30 * DAY_MS);
      if (over) await inStore("readwrite", (store) => store.delete(entry.number));
    }
  };

  addEventListener("online", sync);
  addEventListener("pageshow", sync);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) sync(); });
  setInterval(sync, 20e3);
  return {
    all, add, again, decide, sync, tidy, database, synced, shown, user,
    watch: (each) => watching.push(each), lastPass: () => lastPass,
  };
})();
