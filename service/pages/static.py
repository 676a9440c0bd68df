"""Files that never change under their address: the address carries what is in them."""

import hashlib
from functools import lru_cache
from pathlib import Path

from fastapi import Response
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

FOLDER = Path(__file__).parent / "static"
A_YEAR = "public, max-age=31536000, immutable"


@lru_cache(maxsize=256)
def address(name: str) -> str:
    """Where a file is fetched, with a digest of what is in it."""
    digest = hashlib.sha256((FOLDER / name).read_bytes()).hexdigest()[:12]
    return f"/static/{name}?v={digest}"


class Kept(StaticFiles):
    """The files, kept by browsers for a year under the address with their digest."""

    async def get_response(self, path: str, scope: Scope) -> Response:
        """One file; `nosniff`, and kept only where the address says which version it is."""
        response = await super().get_response(path, scope)
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["Cache-Control"] = A_YEAR if b"v=" in scope["query_string"] else "no-cache"
        return response
