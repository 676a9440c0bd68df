"""Who is asking."""

from dataclasses import dataclass

from service.errors import NotAllowed, with_article
from service.security.rules import Action, Role, may


@dataclass(frozen=True)
class Actor:
    """A known user with a role, the sites and the actions they are limited to."""

    user_id: int
    name: str
    role: Role
    sites: frozenset[int] | None = None
    scopes: frozenset[str] | None = None

    def ensure(self, action: Action) -> None:
        """Raise NotAllowed unless role and token carry the right."""
        if not may(self.role, action):
            raise NotAllowed(f"{with_article(self.role)} may not {action.replace('-', ' ')}")
        if self.scopes is not None and action not in self.scopes:
            raise NotAllowed(f"this token is not for: {action.replace('-', ' ')}")

    def ensure_site(self, site_id: int) -> None:
        """Raise NotAllowed unless this site is one of theirs."""
        if not self.sees(site_id):
            raise NotAllowed("this belongs to a site that you have no access to")

    def sees(self, site_id: int) -> bool:
        """Whether a site is one of theirs."""
        return self.sites is None or site_id in self.sites


SERVICE = Actor(user_id=0, name="fishhouse", role=Role.MANAGER)
"""The service itself, for what nobody asked for: the watch."""
