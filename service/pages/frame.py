"""The sections of the service, and who sees which."""

from collections.abc import Sequence
from dataclasses import dataclass

from service.pages.words import _
from service.security.rules import Action, Role, may

WHO_DECIDES = frozenset({Role.NUTRITIONIST, Role.VET, Role.MANAGER})
"""Who decides by ranges and reasons; a keeper acts by numbers."""
WHO_SEES_REASONS = WHO_DECIDES | {Role.INSPECTOR}


@dataclass(frozen=True)
class Section:
    """A way into the service: its address, its word, and the right that leads there."""

    path: str
    name: str
    right: Action


SECTIONS = (
    Section("/", _("Now"), Action.LOOK),
    Section("/receive", _("Receive"), Action.RECEIVE),
    Section("/rooms", _("Cold rooms"), Action.LOOK),
    Section("/stock", _("Lots"), Action.LOOK),
    Section("/thaw", _("Thaw"), Action.LOOK),
    Section("/feed", _("Feed"), Action.FEED),
    Section("/supplements", _("Supplements"), Action.LOOK),
    Section("/animals", _("Animals"), Action.LOOK),
    Section("/records", _("Records"), Action.LOOK),
    Section("/settings", _("Settings"), Action.SET_UP),
)


def sections_for(role: Role) -> Sequence[Section]:
    """The sections that a role may enter."""
    return [section for section in SECTIONS if may(role, section.right)]
