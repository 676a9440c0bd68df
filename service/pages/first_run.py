"""The first run: five steps on an empty database."""

from service.pages.page import page_router

router = page_router("/first-run")
