"""Whether a request that carries a cookie comes from a page of this service.

A browser sends the cookie along with whatever another site makes it post. It also says
where the request comes from, and no page can change that (Fetch standard, `Origin`; Fetch
Metadata, `Sec-Fetch-Site`). Who says neither is refused.
"""

from urllib.parse import urlsplit

from fastapi import Request

from service.errors import NotAllowed

SAFE = frozenset({"GET", "HEAD", "OPTIONS"})


def ensure_same_origin(request: Request) -> None:
    """Raise NotAllowed for a write that another site's page, or nobody, has caused."""
    if request.method in SAFE:
        return
    origin = request.headers.get("origin")
    fetched = request.headers.get("sec-fetch-site")
    if origin is not None:
        same = _host_of(origin) == request.headers.get("host", "").lower()
    else:
        same = fetched in ("same-origin", "none")
    if not same:
        raise NotAllowed(
            "this did not come from a page of this service",
            kind="other-origin",
            advice="Open the page here and send it from there.",
        )


def _host_of(origin: str) -> str | None:
    try:
        return urlsplit(origin).netloc.lower()
    except ValueError:  # no browser sends an address that is none
        return None
