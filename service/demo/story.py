"""The main job as a short run: every line is a real answer of the service over HTTP."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from sqlmodel import Session, select

from service.clock import Clock
from service.database import Database
from service.demo import paper, place
from service.demo.asking import Answer, Asker
from service.demo.weather import Weather
from service.ledger import queries as ledger
from service.ledger.rules import Account
from service.security import audit
from service.security.models import AuditHead

HOUR = timedelta(hours=1)
ALL_DAYS = 399  # most that one question for an animal's intake may span


class StoryBroken(RuntimeError):
    """The service answered otherwise than the run tells."""


@dataclass
class Story:
    """The run, told once. Raises StoryBroken where an answer is not what it should be."""

    people: Mapping[str, Asker]
    database: Database
    weather: Weather
    clock: Clock
    _number: int = 0
    _newest: str = ""
    _held: str = ""
    _request: int = 0
    _planned: list[Any] = field(default_factory=list)

    def tell(self) -> bool:
        """All chapters in order. Returns whether the books balance and the chain holds."""
        self._receive()
        self._open_door()
        self._dead_probe()
        self._quality()
        self._plan()
        self._pull()
        self._fact()
        self._clock_ran_out()
        self._feed()
        self._supplement()
        self._order()
        return self._books()

    def _chapter(self, text: str) -> None:
        self._number += 1
        paper.chapter(self._number, text)

    def _who(self, person: place.Person) -> Asker:
        return self.people[person.name]

    def _post(
        self, by: place.Person, path: str, body: Any, *, status: int = 201, kind: str | None = None
    ) -> Answer:
        """Ask, print, and hold the answer to what the run tells."""
        who = self._who(by)
        answer = who.ask("POST", path, body)
        paper.asked(who, "POST", path, answer)
        if answer.status != status or (kind is not None and answer.kind != kind):
            raise StoryBroken(f"POST {path}: {status} {kind or ''} expected, got {answer}")
        if status == 409:
            paper.findings(answer)
        elif status >= 400:
            paper.line(f"{answer.kind}: {answer.body['detail']}")
        return answer

    def _get(self, path: str, **query: Any) -> Any:
        who = self._who(place.KEEPER)
        body = who.get(path, **query)
        paper.asked(who, "GET", path, Answer(200, body))
        return body

    def _receive(self) -> None:
        self._chapter("A truck is here: herring, and capelin without a catch date")
        now = self.clock()
        caught = (now - timedelta(days=21)).date()
        cores = ["-20.3 °C", "-19.6 °C", "-21.0 °C"]
        herring = {
            "product": "HER-BLOCK-10",
            "place": "FZ1",
            "cartons": 64,
            "caught_from": str(caught),
            "frozen_on": str(caught + timedelta(days=1)),
            "core_temperatures": cores,
        }
        capelin = {
            "product": "CAP-IQF-12",
            "place": "FZ2",
            "cartons": 10,
            "core_temperatures": ["-17.1 °C"],
        }
        delivery = {
            "supplier": "SKARNVIK",
            "arrived_at": (now - 1.5 * HOUR).isoformat(),
            "vehicle_temperature": "-21 °C",
            "lots": [herring, capelin],
        }
        answer = self._post(place.COMMISSARY, "/deliveries", delivery)
        for lot in answer.body["lots"]:
            paper.line(f"{lot['code']}  {paper.mass(lot['mass'])}  {lot['status']}")
            paper.findings(Answer(201, lot), outcomes=("warn", "block"))
        self._newest, self._held = (lot["code"] for lot in answer.body["lots"])

    def _open_door(self) -> None:
        opened, shut = self.weather.door
        room = place.OPEN_DOOR_PLACE
        self._chapter(f"The night the door of {room} stood open")
        series = self._get(
            f"/places/{room}/temperatures",
            **{"from": opened.isoformat(), "to": (shut + 3 * HOUR).isoformat(), "step": 3600},
        )
        points = series["points"]
        paper.line("hour      " + "".join(f"{p['at'][11:13]:>5}" for p in points))
        paper.line("warmest °C" + "".join(f"{p['max_c']:>5.0f}" for p in points))
        found = self._excursion(room, "warm")
        paper.line(
            f"excursion: above {found['limit_c']:g} °C from {paper.when(found['from_at'])} to "
            f"{paper.when(found['ended_at'])} UTC, up to {found['peak_c']:.1f} °C"
        )
        self._cost_of(opened, shut + 3 * HOUR)
        self._show_fish(self._get(f"/excursions/{found['id']}/assessment"))

    def _show_fish(self, assessment: Any) -> None:
        """What the model says of the fish that was there, and what was decided."""
        for fish in assessment["fish"]:
            if not fish["on_hand"]["g"]:
                continue
            low, high = fish["figures"]["worst"]["peak_core"]["range"]
            decided = fish["decided"]
            word = f"decided: {decided['decision']}, {decided['by']}" if decided else "undecided"
            paper.line(
                f"{fish['lot']} {paper.mass(fish['on_hand'])}: worst carton up to "
                f"{low:.1f} to {high:.1f} °C, {word}"
            )

    def _excursion(self, room: str, kind: str) -> Any:
        rows = self._get("/excursions")["items"]
        for row in rows:
            if (row["place"], row["kind"]) == (room, kind):
                return row
        raise StoryBroken(f"no {kind} excursion of {room} among {rows}")

    def _cost_of(self, begun: datetime, ended: datetime) -> None:
        """What one night did to the oldest herring, beside the same hours a day before."""
        lot = self._oldest("HER")
        used = {}
        for at in (begun, ended, begun - 24 * HOUR, ended - 24 * HOUR):
            body = self._who(place.KEEPER).get(f"/lots/{lot}/quality", at=at.isoformat())
            used[at] = 100 * body["life"]["used"]
        night = used[ended] - used[begun]
        usual = used[ended - 24 * HOUR] - used[begun - 24 * HOUR]
        paper.line(
            f"lot {lot} had used {used[begun]:.1f} % of its storage life before and "
            f"{used[ended]:.1f} % after: the night took {night:.1f} %, as much as "
            f"{night / usual * (ended - begun) / timedelta(days=1):.1f} ordinary days"
        )

    def _oldest(self, species: str) -> str:
        lots = self._who(place.KEEPER).get("/lots", species=species, order="use_first")["items"]
        return str(next(lot["code"] for lot in lots if lot["status"] == "accepted"))

    def _dead_probe(self) -> None:
        room = place.DEAD_PROBE.split("-", maxsplit=1)[0]
        self._chapter(f"The probe of {room} died; the fish in there gets no credit for that")
        found = self._excursion(room, "silent")
        lot = self._oldest("SQI")
        before = self._get(f"/lots/{lot}/quality", at=found["from_at"])
        now = self._get(f"/lots/{lot}/quality")
        paper.line(f"silent since {paper.when(found['from_at'])} UTC; lot {lot} in {room}:")
        for said, body in (("then", before), ("now", now)):
            kept = _in_freezer(body, room)
            paper.line(f"{said}: {kept['exposure']['hours_unknown']:.0f} h unknown, {_life(kept)}")
        self._settle(found["id"], room)

    def _settle(self, excursion: int, room: str) -> None:
        """The fish is probed and is hard; what nobody measured is the vet's to sign for."""
        address = f"/excursions/{excursion}/assessment"
        found = self._get(address)
        self._show_fish(found)
        paper.line(found["probe_next"]["says"])
        core = {"kind": "core", "place": room, "temperature": "-20.8 °C", "position": "corner"}
        for lot in found["undecided"]:
            self._post(place.COMMISSARY, "/checks", core | {"lot": lot})
        self._show_fish(self._get(address))
        decided = {
            "lots": [{"lot": lot, "decision": "use_first"} for lot in found["undecided"]],
            "reason": "probed and cut open: hard frozen, dry, no ice in the carton",
            "corrective_action": "the probe's battery was changed",
        }
        address = f"/excursions/{excursion}/decisions"
        self._post(place.COMMISSARY, address, decided, status=409, kind="excursion-open")
        self._post(place.VET, address, decided)

    def _quality(self) -> None:
        lot = self._oldest("HER")
        self._chapter(f"How good is the oldest herring, lot {lot}?")
        body = self._get(f"/lots/{lot}/quality")
        paper.line(f"{body['age_days']} days from the catch")
        for parcel in body["parcels"]:
            batch = f", thaw batch {parcel['thaw_batch']}" if parcel["thaw_batch"] else ""
            paper.line(f"{paper.mass(parcel['mass'])} in {parcel['place']}{batch}: {_life(parcel)}")
        for nutrient in body["nutrients"]:
            if nutrient["nutrient"] in ("FAT", "VITE"):
                low, high = nutrient["range"]
                paper.line(
                    f"{nutrient['nutrient']} {nutrient['amount']:g} ({low:g} to {high:g}) "
                    f"{nutrient['unit']}, from {nutrient['from'].split(':')[0]}"
                )
        for found in body["findings"]:
            if found["outcome"] != "pass":
                paper.line(f"{found['outcome']} {found['rule']}: {found['because']}")

    def _plan(self) -> None:
        self._chapter("Tomorrow's thaw: 45 kg herring, 9 kg capelin, 3 kg smelt")
        now = self.clock()
        wanted = {
            "thaw_place": "TANK",
            "first_feed_at": (now + 20 * HOUR).isoformat(),
            "last_feed_at": (now + 23 * HOUR).isoformat(),
            "lines": [
                {"species": "HER", "mass": "45 kg"},
                {"species": "CAP", "mass": "9 kg"},
                {"species": "SME", "mass": "3 kg"},
            ],
        }
        plan = self._post(place.KEEPER, "/thaw-requests", wanted).body
        for pull in plan["pulls"]:
            cartons = f" = {pull['cartons']} cartons" if pull["cartons"] else ""
            paper.line(
                f"{pull['lot']} from {pull['from_place']}: {paper.mass(pull['mass'])}{cartons}, "
                f"surplus {paper.mass(pull['surplus'])}; pull until "
                f"{paper.when(pull['pull_not_after'])}, feed until "
                f"{paper.when(pull['discard_after'])}"
            )
        for short in plan["shortages"]:
            paper.line(f"short of {short['species']}: {paper.mass(short['mass'])}")
        paper.line(f"feasible: {'yes' if plan['feasible'] else 'no'}")
        self._request, self._planned = plan["id"], plan["pulls"]
        self._refrigerator(wanted)

    def _refrigerator(self, wanted: Mapping[str, Any]) -> None:
        """The same fish in a refrigerator cannot be thawed in time: what fails, what works."""
        paper.line("The same in the refrigerator?")
        lines = [{"species": "HER", "mass": "10 kg"}]
        plan = self._post(
            place.KEEPER, "/thaw-requests", {**wanted, "thaw_place": "COOL", "lines": lines}
        ).body
        paper.line(f"feasible: {'yes' if plan['feasible'] else 'no'}")
        for found in plan["findings"]:
            if found["outcome"] != "pass":
                paper.line(f"{found['rule']}: {found['because']}")
        works = [a["method"] for a in plan["alternatives"] if a["feasible"]]
        paper.line(f"what would work: {'; '.join(works) or 'nothing'}")
        self._post(place.KEEPER, f"/thaw-requests/{plan['id']}/cancel", {}, status=200)

    def _pull_of(self, lot: str, from_place: str, mass: str, **more: Any) -> dict[str, Any]:
        return {"lot": lot, "from_place": from_place, "to_place": "TANK", "mass": mass, **more}

    def _pull(self) -> None:
        self._chapter("The pull: the wrong lot, a held lot, then the right one")
        mine = {"thaw_request": self._request}
        wrong = self._pull_of(self._newest, "FZ1", "20 kg", **mine)
        refused = self._post(place.KEEPER, "/pulls", wrong, status=409, kind="older-lot-first")
        paper.line(f"next: {refused.body['next']}")
        held = self._pull_of(self._held, "FZ2", "9 kg")
        self._post(place.KEEPER, "/pulls", held, status=409, kind="lot-on-hold")
        for each in self._planned:
            mass = f"{each['mass']['g']} g"
            right = self._pull_of(each["lot"], each["from_place"], mass, **mine)
            self._show_batch(self._post(place.KEEPER, "/pulls", right))

    def _show_batch(self, answer: Answer) -> None:
        batch = answer.body["thaw_batch"]
        paper.line(
            f"thaw batch {batch['code']}: {paper.mass(batch['mass'])} of {batch['lot']}, "
            f"{batch['state']}, feed until {paper.when(batch['discard_after'])}"
        )

    def _fact(self) -> None:
        self._chapter("The night shift took the new herring all the same: a fact is recorded")
        done = self._pull_of(
            self._newest,
            "FZ1",
            "10 kg",
            already_done=True,
            occurred_at=(self.clock() - HOUR / 3).isoformat(),
        )
        answer = self._post(place.KEEPER, "/pulls", done)
        if not answer.body["breaches"]:
            raise StoryBroken("the fact has no breach")
        self._show_batch(answer)
        for breach in answer.body["breaches"]:
            paper.line(f"breach {breach['rule']}: {breach['because']}")

    def _open_batches(self) -> list[Any]:
        return self._who(place.KEEPER).every("/thaw-batches", state="open")

    def _expired(self, batch: Any) -> bool:
        return datetime.fromisoformat(batch["discard_after"]) < self.clock()

    def _clock_ran_out(self) -> None:
        self._chapter("A bucket from yesterday is still in the kitchen")
        old = next(batch for batch in self._open_batches() if self._expired(batch))
        items = [{"thaw_batch": old["code"], "offered": "2 kg", "eaten": "2 kg"}]
        self._post(
            place.KEEPER,
            "/feeds",
            {"animal": "QUILL", "items": items},
            status=409,
            kind="clock-from-freezer",
        )
        address = f"/thaw-batches/{old['code']}"
        back = {"mass": "1 kg", "core_temperature": "2 °C", "to_place": "FZ2"}
        self._post(place.KEEPER, f"{address}/put-back", back, status=409, kind="no-refreeze")
        gone = {"mass": f"{old['remaining']['g']} g", "reason": "24 h have passed"}
        self._post(place.KEEPER, f"{address}/discard", gone)
        paper.line(f"{paper.mass(old['remaining'])} are discarded, and in the books")

    def _feed(self) -> None:
        self._chapter("Marlo is fed from this morning's fish")
        fresh = {
            batch["species"]: batch for batch in self._open_batches() if not self._expired(batch)
        }
        # Of each species the first batch: today's. Those pulled just now are still frozen.
        for batch in reversed(self._open_batches()):
            if not self._expired(batch):
                fresh[batch["species"]] = batch
        items = [
            {"thaw_batch": fresh["HER"]["code"], "offered": "4.4 kg", "eaten": "4.4 kg"},
            {"thaw_batch": fresh["CAP"]["code"], "offered": "4.2 kg", "eaten": "3.95 kg"},
            {"thaw_batch": fresh["MAC"]["code"], "offered": "2.4 kg", "eaten": "2.4 kg"},
        ]
        answer = self._post(place.KEEPER, "/feeds", {"animal": "MARLO", "items": items})
        for item in answer.body["items"]:
            paper.line(
                f"{item['species']} of lot {item['lot']}: offered {paper.mass(item['offered'])}, "
                f"eaten {paper.mass(item['eaten'])}, left {paper.mass(item['left'])}"
            )

    def _supplement(self) -> None:
        self._chapter("Marlo's supplements: planned, signed, given, and not twice")
        day = str(self.clock().date())
        plan = self._post(place.KEEPER, "/supplement-plans", {"animal": "MARLO", "day": day}).body
        for need in plan["lines"]:
            paper.line(
                f"{need['nutrient']}: needs {need['required']:g}, fish is credited "
                f"{need['credit']:g}, add {need['add']:g} {need['unit']} ({need['source']})"
            )
        for piece in plan["supplements"]:
            paper.line(f"{piece['count']:g} × {piece['name']}: {piece['placement']}")
        address = f"/supplement-plans/{plan['id']}"
        pieces = [{"product": p["product"], "count": p["count"]} for p in plan["supplements"]]
        given = {"supplements": pieces}
        self._post(place.KEEPER, f"{address}/given", given, status=409, kind="not-signed")
        self._post(place.KEEPER, f"{address}/sign-off", {}, status=403)
        self._post(place.NUTRITIONIST, f"{address}/sign-off", {}, status=200)
        self._post(place.KEEPER, f"{address}/given", given)
        self._post(place.KEEPER, f"{address}/given", given, status=409, kind="already-given")

    def _order(self) -> None:
        self._chapter("Marlo's order stands until its pieces change; it says why and what if")
        order = self._get("/supplement-orders", state="in_force")["items"][0]
        explained = self._get(f"/supplement-plans/{order['plan']}/explanation")
        for line in explained["lines"]:
            paper.line(line["figures"]["required"]["words"])
        asked = {"animal": "MARLO", "swaps": [{"species": "HER", "by": "CAP"}]}
        compared = self._post(place.NUTRITIONIST, "/what-if", asked, status=200).body
        for words in compared["items"][0]["difference"]["words"]:
            paper.line(f"capelin instead of herring: {words}")
        self._post(place.NUTRITIONIST, "/supplement-orders/review", {}, status=200)
        more = {
            "nutrient": "THIA",
            "amount": 60,
            "unit": "mg",
            "applies_to": {"animal": "MARLO"},
            "source": "the vet of this invented place",
        }
        self._post(place.NUTRITIONIST, "/requirements", more)
        lapsed = self._post(place.NUTRITIONIST, "/supplement-orders/review", {}, status=200).body
        for each in lapsed["items"]:
            paper.line(f"{each['animal']}: {each['state']}: {'; '.join(each['differences'])}")

    def _books(self) -> bool:
        self._chapter("The books of the whole year, to the gram")
        with Session(self.database.snapshot) as session:
            in_stock = ledger.parcel_total(session)
            accounts = ledger.account_totals(session)
            broken = audit.verify(session)
            entries = sum(head.length for head in session.exec(select(AuditHead)))
        received = -accounts[Account.SUPPLIER]
        spent = {a: g for a, g in accounts.items() if g and a is not Account.SUPPLIER}
        self._row("received", received)
        self._row("in stock", in_stock)
        for account, grams in spent.items():
            self._row(account.replace("_", " "), grams)
        difference = received - in_stock - sum(spent.values())
        self._row("unaccounted for", difference)
        told = self._told_over_http()
        agrees = told == [received, in_stock, accounts[Account.EATEN]]
        paper.line(
            "GET /v1/lots, /v1/stock and the animals' intake "
            + ("say the same" if agrees else f"say something else: {told}")
        )
        paper.line(
            f"fishhouse audit verify: {entries} entries, "
            + ("the chain is broken" if broken else "the chain holds")
        )
        return difference == 0 and agrees and not broken

    def _row(self, name: str, grams: int) -> None:
        paper.line(f"{name:<20}{paper.grams(grams):>14}")

    def _told_over_http(self) -> Sequence[int]:
        """Received, in stock and eaten, summed from what the service answers."""
        who = self._who(place.MANAGER)
        received = sum(lot["mass"]["g"] for lot in who.every("/lots"))
        in_stock = sum(row["mass"]["g"] for row in who.every("/stock"))
        begun = str(self.clock().date() - timedelta(days=ALL_DAYS))
        eaten = sum(
            who.get(f"/animals/{animal.code}/intake", **{"from": begun})["total"]["g"]
            for animal in place.ANIMALS
        )
        return [received, in_stock, eaten]


def _in_freezer(quality: Any, room: str) -> Any:
    return next(parcel for parcel in quality["parcels"] if parcel["place"] == room)


def _life(parcel: Any) -> str:
    life = parcel["life"]
    low, high = life["used_range"]
    return (
        f"life used {100 * life['used']:.0f} % ({100 * low:.0f} to {100 * high:.0f} %), "
        f"{life['left_days']:.0f} days left"
    )
