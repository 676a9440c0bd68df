"""Somebody at a page without a browser: a cookie, forms, and what came back."""

import re
from dataclasses import dataclass, field
from html import unescape
from typing import Any

import httpx
from sqlmodel import col, select

from service.security import sessions
from service.security.models import User
from tests.kitchen import Kitchen, answered

HOST = "kitchen.test"
FIELD = re.compile(r'<input type="hidden" name="([^"]*)" value="([^"]*)"')


@dataclass
class Visitor:
    """Asks for pages and sends forms, as a browser does."""

    kitchen: Kitchen
    cookies: httpx.Cookies = field(default_factory=httpx.Cookies)
    headers: dict[str, str] = field(default_factory=dict)

    def get(self, path: str, **rest: Any) -> httpx.Response:
        return self._ask("GET", path, **rest)

    def post(self, path: str, fields: dict[str, Any] | None = None, **rest: Any) -> httpx.Response:
        """A form, sent from a page of the service unless another `Origin` is given."""
        headers = {"Origin": f"http://{HOST}"} | rest.pop("headers", {})
        return self._ask("POST", path, data=fields or {}, headers=headers, **rest)

    def page(self, path: str, **rest: Any) -> str:
        """GET that must succeed; the page."""
        answer = self.get(path, **rest)
        assert answer.status_code == 200, f"{path}: {answer.status_code} {answer.text[:2000]}"
        return answer.text

    def sent(self, path: str, fields: dict[str, Any] | None = None, **rest: Any) -> str:
        """A form that must succeed; where it led to."""
        answer = self.post(path, fields, **rest)
        assert answer.status_code == 303, f"{path}: {answer.status_code} {answer.text[:2000]}"
        return answer.headers["location"]

    def _ask(self, method: str, path: str, **rest: Any) -> httpx.Response:
        headers = {"Accept": "text/html"} | self.headers | rest.pop("headers", {})

        async def answer() -> httpx.Response:
            transport = httpx.ASGITransport(self.kitchen.app, raise_app_exceptions=False)
            async with httpx.AsyncClient(
                transport=transport, base_url=f"http://{HOST}", cookies=self.cookies
            ) as client:
                given = await client.request(method, path, headers=headers, **rest)
                self.cookies = client.cookies
                return given

        return answered(answer())


def cookie_of(kitchen: Kitchen, role: str) -> str:
    """A fresh session of the kitchen's person of a role, without the third of a second that a
    password takes."""
    kitchen.person(role)
    with kitchen.writing() as session:
        user = session.exec(select(User).where(col(User.name) == role)).one()
        return sessions.open_session(session, user, at=kitchen.clock())


def visitor(kitchen: Kitchen, role: str | None) -> Visitor:
    """Somebody of a role who is logged in; None: nobody yet."""
    cookies = httpx.Cookies()
    if role is not None:
        cookies.set(sessions.COOKIE, cookie_of(kitchen, role), domain=HOST, path="/")
    return Visitor(kitchen, cookies)


def hidden_fields(page: str) -> dict[str, str]:
    """The hidden fields of a page, for forms that are sent again."""
    return {unescape(name): unescape(value) for name, value in FIELD.findall(page)}
