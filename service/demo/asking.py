"""Somebody at the invented place, asking the real service over HTTP."""

import json
from dataclasses import dataclass
from typing import Any
from urllib.error import HTTPError
from urllib.parse import urlencode
from urllib.request import Request, urlopen

TIMEOUT_S = 60


@dataclass(frozen=True)
class Answer:
    """What came back: the status, and the document."""

    status: int
    body: Any

    @property
    def kind(self) -> str:
        """Which rule or problem a refusal is named after."""
        return str(self.body["type"]).rsplit("/", maxsplit=1)[-1]


@dataclass(frozen=True)
class Asker:
    """A person with a token, at one address."""

    name: str
    address: str
    token: str

    def ask(self, method: str, path: str, body: Any = None) -> Answer:
        """Send one request; refusals are answers, not errors."""
        request = Request(
            f"{self.address}/v1{path}",
            method=method,
            data=None if body is None else json.dumps(body).encode(),
            headers={"Authorization": f"Bearer {self.token}", "Content-Type": "application/json"},
        )
        try:
            with urlopen(request, timeout=TIMEOUT_S) as answer:
                return Answer(answer.status, json.load(answer))
        except HTTPError as refusal:
            with refusal:
                return Answer(refusal.code, json.load(refusal))

    def get(self, path: str, **query: Any) -> Any:
        """The document at a path. Raises RuntimeError unless it is given."""
        answer = self.ask("GET", f"{path}?{urlencode(query)}" if query else path)
        if answer.status != 200:
            raise RuntimeError(f"GET {path} was answered {answer.status}: {answer.body}")
        return answer.body

    def every(self, path: str, **query: Any) -> list[Any]:
        """All items of a list, page after page."""
        items: list[Any] = []
        page = {"items": [], "next": ""}
        while page["next"] is not None:
            more = {"cursor": page["next"]} if page["next"] else {}
            page = self.get(path, limit=500, **query, **more)
            items += page["items"]
        return items
