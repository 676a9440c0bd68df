"""Every page × every role: a page declares its right, and lets in whoever carries it."""

import re

import pytest
from fastapi.routing import APIRoute

from service.pages.page import PageRoute
from service.pages.routes import routers
from service.security.rules import RIGHTS, Role
from tests.kitchen import Kitchen
from tests.pages.visiting import visitor

OPEN = {"/log-in", "/authority.crt", "/first-run", "/manifest.webmanifest", "/service-worker.js"}
"""What is needed before anybody is known."""


def pages() -> list[tuple[str, PageRoute]]:
    return [
        (method, route)
        for router in routers
        for route in router.routes
        if isinstance(route, PageRoute)
        for method in sorted(route.methods or ())
    ]


def test_every_page_declares_its_right() -> None:
    assert len(pages()) > 5
    for router in routers:
        for route in router.routes:
            assert isinstance(route, PageRoute)
            assert isinstance(route, APIRoute)
            open_to_all = any(route.path == p or route.path.startswith(f"{p}/") for p in OPEN)
            assert (route.right() is None) == open_to_all, route.path


@pytest.mark.parametrize("role", [role for role in Role if role is not Role.DEVICE])
def test_a_page_lets_a_role_in_exactly_where_the_table_of_rights_says_so(
    small_kitchen: Kitchen, role: Role
) -> None:
    before = small_kitchen.balance()
    who = visitor(small_kitchen, role)
    for method, route in pages():
        right = route.right()
        if right is None or route.path == "/log-out" or "/events" in route.path:
            continue
        path = re.sub(r"\{[^}]*\}", "0", route.path)
        answer = who.get(path) if method == "GET" else who.post(path)
        where = f"{role}: {method} {path} ({right.action}) -> {answer.status_code}"
        assert (answer.status_code == 403) == (role not in RIGHTS[right.action]), where
        assert answer.status_code != 401 and answer.status_code < 500, where
    assert small_kitchen.balance() == before


def test_nobody_who_is_not_logged_in_sees_a_page(small_kitchen: Kitchen) -> None:
    who = visitor(small_kitchen, None)
    for method, route in pages():
        if route.right() is None:
            continue
        path = re.sub(r"\{[^}]*\}", "0", route.path)
        answer = who.get(path) if method == "GET" else who.post(path)
        assert answer.status_code == 401, f"{method} {path}"
        assert "Who is there?" in answer.text, f"{method} {path}"
