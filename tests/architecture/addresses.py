"""The table of addresses in DEVELOPERS.md: `python -m tests.architecture.addresses` prints it."""

from pathlib import Path

from service.app import ROUTERS
from service.security.guard import GuardedRoute

ROOT = Path(__file__).parent.parent.parent


def table() -> str:
    """Every address under /v1, its methods, its right, and the file that answers."""
    rows = []
    for router in ROUTERS:
        for route in router.routes:
            assert isinstance(route, GuardedRoute)
            right = route.right()
            assert right is not None
            module = route.endpoint.__module__.replace(".", "/") + ".py"
            for method in sorted(route.methods or ()):
                rows.append(f"| {method} `{route.path}` | {right.action} | {module} |")
    header = ["| address | right | answered in |", "|---|---|---|"]
    return "\n".join([*header, *sorted(rows, key=lambda row: row.split("`")[1] + row)])


if __name__ == "__main__":
    print(table())  # noqa: T201 - this is what it is for
