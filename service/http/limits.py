"""The largest body that is read."""

from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send


class BodyLimit:
    """Refuses a body with 413 as soon as it is longer than the limit.

    It refuses when the route begins to read: whoever has no token is told so
    first, and the answer is a problem document like every other. A body that
    says its length is refused before a byte of it is read.
    """

    def __init__(self, app: ASGIApp, most_bytes: int) -> None:
        self._app, self._most = app, most_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, counting what is read of its body."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        declared = _declared_length(scope)
        taken = 0

        async def counted() -> Message:
            nonlocal taken
            if declared > self._most:
                raise self._too_large()
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > self._most:
                raise self._too_large()
            return message

        await self._app(scope, counted, send)

    def _too_large(self) -> HTTPException:
        return HTTPException(413, f"the body is larger than the {self._most} bytes that are read")


def _declared_length(scope: Scope) -> int:
    said = dict(scope["headers"]).get(b"content-length", b"0")
    return int(said) if said.isdigit() else 0
