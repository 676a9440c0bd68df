"""How closely a supplier's load is looked at."""

from service.decisions import Finding
from service.inspections.rules.checklist import PURPOSES, Purpose
from service.site.rules import Policy, finding


def due_purpose(earlier_deliveries: int, policy: Policy) -> Purpose:
    """Of a supplier's first deliveries to a site: as a new supplier; else routine."""
    new = earlier_deliveries < policy.new_supplier_deliveries_n
    return Purpose.NEW_SUPPLIER if new else Purpose.ROUTINE


def purpose_finding(asked: Purpose, *, earlier_deliveries: int, policy: Policy) -> Finding:
    """Whether a load is looked at as closely as is due; more closely is always allowed."""
    due = due_purpose(earlier_deliveries, policy)
    numbers: dict[str, float | str | None] = {
        "earlier_deliveries": float(earlier_deliveries),
        "new_up_to": policy.new_supplier_deliveries_n,
    }
    if PURPOSES.index(asked) >= PURPOSES.index(due):
        return finding("sample-plan", "pass", f"looked at as {asked}", numbers=numbers)
    return finding(
        "sample-plan",
        "block",
        f"this supplier has sent {earlier_deliveries} deliveries before: looked at as {due}",
        numbers=numbers,
    )
