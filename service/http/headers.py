"""What every answer tells a browser, whoever asked: take it for what it says it is, no more."""

from starlette.types import ASGIApp, Message, Receive, Scope, Send

NOSNIFF = (b"x-content-type-options", b"nosniff")
# A drawing opened by its address is a document of its own: nothing in it may run or load.
DRAWN = (
    b"content-security-policy",
    b"default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'",
)
DRAWINGS = b"image/svg"


class SafeHeaders:
    """Adds `nosniff` to every answer, and a policy without script to every drawing."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, and add to what its answer begins with."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def safely(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = message["headers"]
                known = {name for name, _ in headers}
                kind = next((value for name, value in headers if name == b"content-type"), b"")
                added = [NOSNIFF, DRAWN] if kind.startswith(DRAWINGS) else [NOSNIFF]
                message["headers"] = [*headers, *(pair for pair in added if pair[0] not in known)]
            await send(message)

        await self._app(scope, receive, safely)
