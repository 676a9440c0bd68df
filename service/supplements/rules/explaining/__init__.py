"""How the figures of a plan came about, step by step, from what was stored with it."""

from collections.abc import Iterator
from dataclasses import dataclass

from service.supplements.rules.explaining.food import Written
from service.supplements.rules.explaining.lines import Explained, Line
from service.supplements.rules.placement import FAT_SOLUBLE, MOST_IN_A_FEED
from service.supplements.rules.steps import counted, fish, said

__all__ = ["Explained", "Explanation", "Placed", "explain"]


@dataclass(frozen=True)
class Placed:
    """Why pieces of a product go where they go."""

    product: str
    words: tuple[str, ...]


@dataclass(frozen=True)
class Explanation:
    """All of a plan: its nutrients, where pieces go, and what was or would have been possible."""

    lines: tuple[Explained, ...]
    placed: tuple[Placed, ...]
    remarks: tuple[str, ...]


def explain(plan: Written) -> Explanation:
    """A plan in steps, from its stored document alone: not from what is known today.

    Of a plan without `worked_from` only its own figures are stated.
    """
    worked = plan.get("worked_from") or {}
    return Explanation(
        lines=tuple(Line(plan, worked, line).explained() for line in plan["lines"]),
        placed=tuple(_placed(each, worked) for each in plan["supplements"]),
        remarks=tuple(_remarks(plan, worked)),
    )


def _placed(each: Written, worked: Written) -> Placed:
    """Where pieces go, and why."""
    contents = {g["nutrient"] for g in each["gives"]}
    carriers = [fish(f["species"]) for f in worked.get("food", ()) if f.get("destroys_thiamine")]
    givings = each.get("givings") or [{"count": each["count"], "how": each["placement"]}]
    words = [_giving(g, each.get("counted_in", "piece")) for g in givings]
    if "THIA" in contents and carriers:
        words.append(f"{', '.join(carriers)} may carry thiaminase, which destroys thiamine")
    if FAT_SOLUBLE & contents:
        words.append("what dissolves in fat goes with the fattest fish of its feed")
    if "NACL" in contents and len(givings) > 1:
        words.append("salt is spread over the feeds")
    elif len(givings) > 1:
        words.append(f"at most {MOST_IN_A_FEED} pieces are hidden in the fish of one feed (ours)")
    return Placed(each["product"], tuple(words))


def _giving(giving: Written, counted_in: str) -> str:
    feed = f"feed {giving['feed']}: " if giving.get("feed") is not None else ""
    return f"{feed}{counted(giving['count'], counted_in)} {giving['how']}"


def _remarks(plan: Written, worked: Written) -> Iterator[str]:
    """What stayed short and why, what would have been possible, and how it was searched for."""
    for unmet in plan["unmet"]:
        yield (
            f"{unmet['nutrient']} stays {said(unmet['short_by'])} {unmet['unit']} short: "
            f"{unmet['why']}"
        )
    yield from (f"possible: {change}" for change in plan.get("changes", ()))
    yield from (found["because"] for found in plan.get("findings", ()))
    if plan["supplements"]:
        yield (
            "of all choices within the limits the one that leaves least short, then gives least "
            "too much, then has the fewest pieces, then costs least"
            if plan.get("exact", True)
            else "the search was cut short: a better choice of pieces may exist"
        )
    if worked:
        credit = "gives" if worked["credits_thiamine_and_vitamin_e"] else "gives no"
        yield (
            f"worked out under the site's policy no. {worked['policy_version']}, which {credit} "
            "credit for thiamine and vitamin E in fish"
        )
    else:
        yield "this plan was made before the steps were kept: only its figures are shown"
