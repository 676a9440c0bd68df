"""Where fish thaws: places hold only so much at once, and what is too much goes to others."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from service.decisions import Finding
from service.quantities import Units
from service.site.rules import PlaceKind, finding


@dataclass(frozen=True)
class Load:
    """Fish that is in a place from an instant until another."""

    place: str
    from_at: datetime
    until_at: datetime
    grams: int


@dataclass(frozen=True)
class Room:
    """A place to thaw in. capacity_g: how much it holds at once; None: nobody has said."""

    place: str
    kind: PlaceKind
    capacity_g: int | None = None


@dataclass(frozen=True)
class Stay:
    """A kind of place that fish needs, and from when until when."""

    kind: PlaceKind
    from_at: datetime
    until_at: datetime


@dataclass(frozen=True)
class Placed:
    """Some of a pull: how many units of it, the place of each stay, whether it fits there."""

    units: int
    places: tuple[str, ...]
    fits: bool = True


class Rooms:
    """The places of a site in the order in which they are filled, and what is in them."""

    def __init__(self, rooms: Sequence[Room], loads: Iterable[Load] = ()) -> None:
        self._rooms = rooms
        self._loads = list(loads)

    def has(self, kind: PlaceKind) -> bool:
        """Whether the site has a place of this kind."""
        return any(room.kind is kind for room in self._rooms)

    def place(self, stays: Sequence[Stay], units: int, unit_g: int) -> list[Placed]:
        """Put a pull away, whole units only: the first place first, what is too much elsewhere.

        What fits nowhere is put into the first places all the same and said not to fit.
        Raises KeyError without a place of a kind. Cost: places × loads.
        """
        placed: list[Placed] = []
        while units:
            found = [self._with_room(stay, unit_g) for stay in stays]
            fitting = min((room_g // unit_g for _, room_g in found), default=0)
            fits = fitting > 0
            taken = min(units, fitting) if fits else units
            chosen = tuple(room.place for room, _ in found)
            if not fits:
                chosen = tuple(self._of(stay.kind)[0].place for stay in stays)
            placed.append(Placed(taken, chosen, fits))
            self._loads += [
                Load(place, stay.from_at, stay.until_at, taken * unit_g)
                for place, stay in zip(chosen, stays, strict=True)
            ]
            units -= taken
        return placed

    def _of(self, kind: PlaceKind) -> list[Room]:
        found = [room for room in self._rooms if room.kind is kind]
        if not found:
            raise KeyError(kind)
        return found

    def _with_room(self, stay: Stay, unit_g: int) -> tuple[Room, int]:
        """The first place with room for a unit, else the one with most; and how much."""
        found = [(room, self._room_g(room, stay)) for room in self._of(stay.kind)]
        enough = (each for each in found if each[1] >= unit_g)
        return next(enough, max(found, key=lambda each: each[1]))

    def _room_g(self, room: Room, stay: Stay) -> int:
        """What is free all the time: everything that is there at any time of it counts."""
        if room.capacity_g is None:
            return 10**12
        return room.capacity_g - sum(
            load.grams
            for load in self._loads
            if load.place == room.place
            and load.from_at < stay.until_at
            and stay.from_at < load.until_at
        )


def place_findings(
    too_much_g: Mapping[str, int], rooms: Sequence[Room], units: Units
) -> list[Finding]:
    """Which place is overfilled, and by how much."""
    capacity = {room.place: room.capacity_g for room in rooms}
    found = []
    for place, grams in sorted(too_much_g.items()):
        holds = capacity.get(place) or 0
        over, whole = units.mass_out(grams), units.mass_out(holds)
        found.append(
            finding(
                "place-full",
                "warn",
                f"{place} holds {whole.value:g} {whole.unit}; no place of its kind has room for "
                f"{over.value:g} {over.unit} of this plan",
                numbers={"too_much_g": grams, "capacity_g": holds},
            )
        )
    return found
