"""One nutrient of a plan in steps."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.catalogue.rules import nutrients
from service.supplements.rules import LimitOn, Mode
from service.supplements.rules.explaining.asked import does_not_count, needed, part, whose
from service.supplements.rules.explaining.food import ABOUT, Written, held, speaks_of
from service.supplements.rules.steps import How, Step, counted, fish, in_words, said

_BOUNDS = (
    ("low", "in_fish_low", "at least"),
    ("value", "in_fish", ABOUT),
    ("high", "in_fish_high", "at most"),
)


@dataclass(frozen=True)
class Explained:
    """A nutrient's figures by name, what did not count, and what nobody knows."""

    nutrient: str
    name: str
    unit: str
    figures: Mapping[str, Step]
    asks_for_less: tuple[Step, ...] = ()
    does_not_count: tuple[str, ...] = ()
    not_known: tuple[str, ...] = ()


class Line:
    """One nutrient of a plan, with the parts of the document that are about it."""

    def __init__(self, plan: Written, worked: Written, line: Written) -> None:
        self.line, self.tag, self.unit = line, line["nutrient"], line["unit"]
        self.supplements: Sequence[Written] = plan["supplements"]
        self.food: Sequence[Written] = worked.get("food", ())
        self.body_mass_g: int | None = worked.get("body_mass_g")
        self.strengths = {p["product"]: p for p in worked.get("products", ())}
        asked = [r for r in worked.get("requirements", ()) if r["nutrient"] == self.tag]
        self.deciding = [r for r in asked if r["decides"]]
        self.others = [r for r in asked if not r["decides"]]
        self.set_aside = [r for r in worked.get("set_aside", ()) if r["nutrient"] == self.tag]

    def explained(self) -> Explained:
        """All figures, in the order in which they are worked out."""
        figures = {"required": self._required(), "credit": self._credit(), "add": self._add()}
        figures |= dict(self._in_fish())
        figures |= dict(self._room())
        figures["given"] = self._given()
        figures |= dict(self._beside())
        return Explained(
            nutrient=self.tag,
            name=nutrients()[self.tag].name,
            unit=self.unit,
            figures=figures,
            asks_for_less=tuple(self._asks_for_less(r) for r in self.others),
            does_not_count=tuple(does_not_count(r) for r in self.set_aside),
            not_known=tuple(
                f"nobody knows how much of it {fish(s)} holds: counted as nothing, which it is not"
                for s in self.line.get("unknown_in", ())
            ),
        )

    def _stated(self, words: str, value: float, **more: Any) -> Step:
        return Step(words, value, self.unit, **more)

    def _see(self, name: str, words: str, value: float) -> Step:
        return Step(words, value, self.unit, How.FIGURE, figure=name)

    def _sum(self, words: str, value: float, parts: Sequence[Step]) -> Step:
        """Several together; of one it is that one."""
        if len(parts) == 1:
            return parts[0]
        shown = " + ".join(said(p.value) for p in parts) or "nothing"
        return Step(
            f"{words}: {shown} = {said(value)} {self.unit}",
            value,
            self.unit,
            How.PLUS,
            tuple(parts),
        )

    # --- what is required

    def _required(self) -> Step:
        value = self.line["required"]
        if not self.deciding:
            source, flag = in_words(self.line["source"])
            return self._stated(
                f"{said(value)} {self.unit} a day is required", value, source=source, flag=flag
            )
        return self._sum(
            "for different fish",
            value,
            [part(r, self.food, self.body_mass_g) for r in self.deciding],
        )

    def _asks_for_less(self, r: Written) -> Step:
        asked = needed(r)
        return Step(
            f"{whose(r)} asks for {said(asked)} {self.unit} to be added: no more than what "
            "decides, so it is met with it",
            asked,
            self.unit,
            How.LESS,
            (part(r, self.food, self.body_mass_g), self._credit_of(r)),
        )

    # --- what the fish is credited with

    def _credit(self) -> Step:
        value = self.line["credit"]
        if not self.deciding:
            return self._stated(f"{said(value)} {self.unit} of the fish's own counts", value)
        parts = [self._credit_of(r) for r in self.deciding]
        if len(parts) > 1:
            parts = [
                Step(
                    f"at most what is required: {said(min(credit.value, r['required']))} "
                    f"{self.unit}",
                    min(credit.value, r["required"]),
                    self.unit,
                    How.LEAST,
                    (credit, part(r, self.food, self.body_mass_g)),
                )
                for credit, r in zip(parts, self.deciding, strict=True)
            ]
        return self._sum("of different fish", value, parts)

    def _credit_of(self, r: Written) -> Step:
        if r["mode"] == Mode.ADDED or not r["credit"]:
            added = "it is required on top of what the fish holds"
            why = added if r["mode"] == Mode.ADDED else self.line.get("why_no_credit")
            why = why or "nobody knows of any in this fish"
            return self._stated(f"credit 0: {why}", 0.0)
        counted = [f for f in self.food if speaks_of(r, f) and self.tag in f["content"]]
        parts = [
            held(f, self.tag, f["content"][self.tag]["credited"][0], "at least") for f in counted
        ]
        return self._sum("the low bounds of what the fish holds", r["credit"], parts)

    def _add(self) -> Step:
        value, unit = self.line["add"], self.unit
        if len(self.deciding) > 1:
            parts = [
                Step(
                    f"{whose(r)}: {said(r['required'])} less {said(r['credit'])} {unit}, "
                    f"{said(needed(r))} {unit}",
                    needed(r),
                    unit,
                    How.LESS,
                    (part(r, self.food, self.body_mass_g), self._credit_of(r)),
                )
                for r in self.deciding
            ]
            return self._sum("to be added for all fish", value, parts)
        required, credit = self.line["required"], self.line["credit"]
        return Step(
            f"{said(required)} {unit} required less {said(credit)} {unit} credited: "
            f"{said(value)} {unit} to be added",
            value,
            unit,
            How.LESS,
            (
                self._see("required", "what is required", required),
                self._see("credit", "what the fish is credited with", credit),
            ),
        )

    # --- what the fish holds

    def _in_fish(self) -> Iterator[tuple[str, Step]]:
        day = self.line.get("in_fish")
        if day is None:
            return
        for bound, name, words in _BOUNDS:
            parts = [
                held(f, self.tag, f["content"][self.tag][bound], words)
                for f in self.food
                if self.tag in f["content"]
            ]
            if parts:
                yield name, self._sum(f"the day's fish holds {words}", day[bound], parts)
            else:
                yield name, self._stated(f"the day's fish holds {words}", day[bound])

    # --- limits and pieces

    def _room(self) -> Iterator[tuple[str, Step]]:
        room, unit = self.line.get("room"), self.unit
        if room is None:
            return
        limiting = [r for r in (*self.deciding, *self.others) if r["limit"] is not None]
        rooms = [self._room_under(r) for r in limiting]
        if not rooms:
            yield "room", self._stated(f"{said(room)} {unit} may be added", room)
        elif len(rooms) == 1:
            yield "room", rooms[0]
        else:
            words = f"the tightest of {len(rooms)} limits: {said(room)} {unit} may be added"
            yield "room", Step(words, room, unit, How.LEAST, tuple(rooms))

    def _room_under(self, r: Written) -> Step:
        source, flag = in_words(r["source"])
        limit, held = r["limit"], (self.line.get("in_fish") or {}).get("high", 0.0)
        total = r["limit_on"] == LimitOn.TOTAL
        stated = self._stated(
            f"at most {said(limit)} {self.unit} a day, "
            f"{'fish and supplements together' if total else 'added'}: {whose(r)}",
            limit,
            source=source,
            flag=flag,
        )
        if not total or not self.line.get("in_fish"):
            return stated
        room = max(0.0, limit - held)
        return Step(
            f"{said(limit)} {self.unit} less up to {said(held)} {self.unit} in the fish: "
            f"{said(room)} {self.unit} may be added",
            room,
            self.unit,
            How.LESS,
            (stated, self._see("in_fish_high", "what the fish holds at most", held)),
        )

    def _given(self) -> Step:
        parts = list(self._pieces())
        if not parts:
            return self._stated("nothing is given", 0.0)
        return self._sum("of several products", self.line["given"], parts)

    def _pieces(self) -> Iterator[Step]:
        for each in self.supplements:
            amounts = [g["amount"] for g in each["gives"] if g["nutrient"] == self.tag]
            for amount in amounts:
                yield self._pieces_of(each, each["count"], amount / each["count"], amount)

    def _pieces_of(self, each: Written, count: float, content: float, amount: float) -> Step:
        counted_in = each.get("counted_in", "piece")
        of_batch = f", the strength of batch {each['batch']}" if each.get("batch") else ""
        known = self.strengths.get(each["product"], {}).get("contents", {}).get(self.tag)
        content = content if known is None else known
        return Step(
            f"{counted(count, counted_in)} of {each['product']} × {said(content)} {self.unit} "
            f"= {said(amount)} {self.unit}",
            amount,
            self.unit,
            How.TIMES,
            (
                Step(f"{counted(count, counted_in)} of {each['name']}", count, counted_in),
                Step(
                    f"{said(content)} {self.unit} in each {counted_in}{of_batch}",
                    content,
                    f"{self.unit}/{counted_in}",
                ),
            ),
        )

    def _beside(self) -> Iterator[tuple[str, Step]]:
        """What was given beside what was needed, allowed and in the fish."""
        given, add, unit = self.line["given"], self.line["add"], self.unit
        see_given = self._see("given", "what the pieces give", given)
        see_add = self._see("add", "what was to be added", add)
        if given > add:
            over = given - add
            words = f"{said(over)} {unit} more than needed"
            yield "over", Step(words, over, unit, How.LESS, (see_given, see_add))
            yield from self._one_less()
        elif add > given:
            short = add - given
            words = f"{said(short)} {unit} less than needed"
            yield "short", Step(words, short, unit, How.LESS, (see_add, see_given))
        room = self.line.get("room")
        if room is not None:
            see_room = self._see("room", "what may be added", room)
            left = max(0.0, room - given)
            words = f"{said(left)} {unit} more could be added under the limit"
            yield "left_of_room", Step(words, left, unit, How.LESS, (see_room, see_given))
        for bound, name in (("low", "in_fish_low"), ("high", "in_fish_high")):
            total, held = self.line.get("total"), self.line.get("in_fish")
            if total and held and total[bound] is not None:
                yield (
                    f"total_{bound}",
                    Step(
                        f"{'at least' if bound == 'low' else 'at most'} {said(held[bound])} in the "
                        f"fish + {said(given)} given = {said(total[bound])} {unit}",
                        total[bound],
                        unit,
                        How.PLUS,
                        (self._see(name, "what the fish holds", held[bound]), see_given),
                    ),
                )

    def _one_less(self) -> Iterator[tuple[str, Step]]:
        """Of a single product: that the next smaller count would not have been enough."""
        holding = [
            s for s in self.supplements if any(g["nutrient"] == self.tag for g in s["gives"])
        ]
        if len(holding) != 1 or (product := self.strengths.get(holding[0]["product"])) is None:
            return
        count = holding[0]["count"] - product["smallest"]
        amount = count * product["contents"].get(self.tag, 0.0)
        if amount < self.line["add"]:
            step = self._pieces_of(holding[0], count, 0.0, amount)
            note = f"less than the {said(self.line['add'])} {self.unit} that are needed"
            yield (
                "one_less",
                Step(f"{step.words}: {note}", step.value, step.unit, step.how, step.of),
            )
