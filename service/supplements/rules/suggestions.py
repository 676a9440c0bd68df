"""What the trade is used to beyond what is required here: said to the nutritionist, never added."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from service.animals.rules import Water
from service.figures import table
from service.supplements.rules.requirements import Wanted


@dataclass(frozen=True)
class Suggestion:
    """A nutrient that is usually thought of for such an animal, in words, and who says so."""

    nutrient: str
    words: str
    source: str


def suggestions(group: str, water: Water | None, wanted: Sequence[Wanted]) -> Iterator[Suggestion]:
    """Salt for an animal that is kept in fresh water, unless salt is required already."""
    if water is not Water.FRESH or any(w.nutrient in ("NACL", "NA") for w in wanted):
        return
    for row in table("supplement_targets"):
        if row["tag"] == "NACL" and row["group"] == f"{group}_fresh_water":
            low, high = row["value_low"], row["value_high"]
            amount = low if low == high else f"{low}-{high}"
            per = "kg of food" if row["per"] == "kg_food" else "animal and day"
            yield Suggestion(
                "NACL",
                f"kept in fresh water: {amount} {row['unit']} of salt per {per} is often added; "
                "set a requirement if the attending vet wants it",
                f"{row['source']} [{row['flag']}]",
            )
