"""Which steps of a series can be shown: shorter than an hour only where readings are kept."""

from collections.abc import Callable
from datetime import datetime

from service.site.queries import SiteView
from service.temperatures.queries import instant
from service.temperatures.rules.steps import DAY_S, Step, Window

LONGEST_RAW_S = 92 * DAY_S  # 130 000 readings a minute apart


def answerable(
    step: Step,
    from_at: datetime,
    to_at: datetime,
    view: SiteView,
    raw_kept_from: Callable[[Window], int],
) -> tuple[Step, Window, list[str]]:
    """The step that can be shown, its window, and why it is not the one that was asked for.

    raw_kept_from : from which second on readings are kept that fall into a window.
    """
    from_s, to_s = int(from_at.timestamp()), int(to_at.timestamp())
    window = step.window(from_s, to_s, view.zone)
    if step.of_hours:
        return step, window, []
    kept_from_s = raw_kept_from(window)
    if window.from_s < kept_from_s:
        kept_from = f"{instant(kept_from_s):%Y-%m-%d %H:%M} UTC"
        why = f"readings before {kept_from} are kept as hours only"
    elif window.until_s - window.from_s > LONGEST_RAW_S:
        why = f"steps of parts of an hour are shown for {LONGEST_RAW_S // DAY_S} days at most"
    else:
        return step, window, []
    longer = step.whole_hours()
    note = f"{why}: in steps of {longer.seconds} s instead of {step.seconds} s"
    return longer, longer.window(from_s, to_s, view.zone), [note]
