"""A stored plan in steps, as it is shown."""

from dataclasses import asdict

from service.supplements.actions.writing import plan_out, with_changes
from service.supplements.models import SupplementPlan
from service.supplements.rules.explaining import explain
from service.supplements.schemas import ExplanationOut


def explanation_of(stored: SupplementPlan) -> ExplanationOut:
    """How a plan's figures came about. No query: all of it stands in the plan.

    What would have been possible is searched for anew, among the products of then.
    """
    shown = with_changes(plan_out(stored), stored.document)
    worked_from = stored.document.get("worked_from")
    found = explain({**shown.model_dump(mode="json"), "worked_from": worked_from})
    return ExplanationOut.model_validate(
        {
            "plan": shown.id,
            "animal": shown.animal,
            "day": shown.day,
            "status": shown.status,
            "signed_by": shown.signed_by,
            "signed_at": shown.signed_at,
            "cautions": shown.cautions,
            **asdict(found),
        }
    )
