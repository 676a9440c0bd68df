"""Every route × every role."""

import re
from typing import Any

import pytest
from fastapi.routing import APIRoute

from service.app import ROUTERS
from service.security.guard import GuardedRoute
from service.security.rules import RIGHTS, Action, Role
from tests.kitchen import Kitchen, Person

# What is looked at is too large for an address, and nothing of it is stored.
SENT_TO_LOOK = {"/v1/labels/read", "/v1/what-if"}


def routes() -> list[tuple[str, APIRoute]]:
    """Method and route of everything under /v1."""
    return [
        (method, route)
        for router in ROUTERS
        for route in router.routes
        if isinstance(route, APIRoute)
        for method in sorted(route.methods or ())
    ]


def ask(who: Person, method: str, route: APIRoute) -> Any:
    """A harmless request: nothing is called 0, and an empty body says nothing."""
    path = re.sub(r"\{[^}]*\}", "0", route.path).removeprefix("/v1")
    return who.ask(method, path, **({} if method == "GET" else {"json": {}}))


def test_every_route_declares_the_right_that_it_asks_for() -> None:
    found = routes()
    assert len(found) > 40
    for _, route in found:
        assert isinstance(route, GuardedRoute), route.path
        assert route.right() is not None, f"{route.path} asks for no right"


def test_every_right_is_asked_for_by_a_route_and_held_by_somebody() -> None:
    asked = {right.action for _, route in routes() if (right := route.right())}  # type: ignore[attr-defined]
    assert asked == set(Action) == set(RIGHTS)
    assert all(RIGHTS.values())


@pytest.mark.parametrize("role", list(Role))
def test_a_role_is_refused_exactly_where_the_table_of_rights_says_so(
    small_kitchen: Kitchen, role: Role
) -> None:
    person = small_kitchen.person(role)
    before = small_kitchen.balance()
    for method, route in routes():
        assert isinstance(route, GuardedRoute)
        right = route.right()
        assert right is not None
        answer = ask(person, method, route)
        refused = role not in RIGHTS[right.action]
        where = f"{role}: {method} {route.path} ({right.action}) -> {answer.status_code}"
        assert (answer.status_code == 403) == refused, where
        assert answer.status_code != 401 and answer.status_code < 500, where
        if refused:
            assert answer.json()["type"] == "/problems/not-allowed"
    assert small_kitchen.balance() == before


def test_nobody_without_a_token_gets_past_any_route(small_kitchen: Kitchen) -> None:
    for method, route in routes():
        answer = ask(small_kitchen.stranger, method, route)
        assert answer.status_code == 401, f"{method} {route.path}"
        assert answer.json()["type"] == "/problems/not-authenticated"


def test_an_inspector_only_reads_and_a_thermometer_only_sends_readings() -> None:
    held = {role: {a for a, roles in RIGHTS.items() if role in roles} for role in Role}
    assert held[Role.INSPECTOR] == {Action.LOOK, Action.READ_AUDIT}
    assert held[Role.DEVICE] == {Action.RECORD_TEMPERATURES}


def test_the_manager_may_do_everything_but_sign_supplements_and_order_medication() -> None:
    missing = {action for action, roles in RIGHTS.items() if Role.MANAGER not in roles}
    assert missing == {Action.SIGN_SUPPLEMENTS, Action.ORDER_MEDICATION}
    assert RIGHTS[Action.ORDER_MEDICATION] == {Role.VET}
    assert RIGHTS[Action.SIGN_SUPPLEMENTS] == {Role.NUTRITIONIST, Role.VET}


def test_a_route_that_only_looks_is_a_get_and_a_get_only_looks() -> None:
    for method, route in routes():
        assert isinstance(route, GuardedRoute)
        right = route.right()
        assert right is not None
        looks = right.action in (Action.LOOK, Action.READ_AUDIT)
        if route.path in SENT_TO_LOOK:
            assert looks and method == "POST", f"{method} {route.path}"
            continue
        assert looks == (method == "GET"), f"{method} {route.path}"
