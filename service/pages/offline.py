"""What a tablet needs to go on without a network: the manifest and the service worker.

Both are open: they hold no data of the house, and a browser asks for them by itself.
"""

import json

from fastapi import Request, Response

from service.pages import static
from service.pages.page import HEADERS, page_router
from service.pages.words import _, language_of, translations

router = page_router()
KEPT_FILES = ("fishhouse.css", "forms.js", "queue.js", "feed.js", "icon.svg")
"""What the page to feed from is made of."""
NO_COPY = _("No connection, and no page is kept here for whoever is logged in.")
STILL_KEPT = _("Feeds that were entered on this tablet are kept until they are sent.")
FRESH = HEADERS | {"Cache-Control": "no-cache"}


@router.get("/manifest.webmanifest")
def manifest() -> Response:
    """How a tablet shows the service among its own programs."""
    said = {
        "name": "Fishhouse",
        "short_name": "Fishhouse",
        "start_url": "/feed",
        "scope": "/",
        "display": "standalone",
        "background_color": "#f4f1ea",
        "theme_color": "#17262c",
        "icons": [{"src": static.address("icon.svg"), "sizes": "any", "type": "image/svg+xml"}],
    }
    return Response(json.dumps(said), 200, FRESH, "application/manifest+json")


@router.get("/service-worker.js")
def service_worker(request: Request) -> Response:
    """The worker, with the addresses of the files that it keeps; they change with what is in
    them, and so does the worker."""
    language = language_of(None, request.headers.get("accept-language", ""))
    say = translations(language).gettext
    told = {
        "files": [static.address(name) for name in KEPT_FILES],
        "noCopy": say(NO_COPY),
        "stillKept": say(STILL_KEPT),
        "feed": say("Feed"),
        "language": language,
    }
    script = (static.FOLDER / "service-worker.js").read_text()
    text = script.replace("TOLD_BY_THE_SERVICE", json.dumps(told), 1)
    headers = FRESH | {"Service-Worker-Allowed": "/"}
    return Response(text, 200, headers, "text/javascript")
