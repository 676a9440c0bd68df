"""Live pages: told when something has changed."""

from service.pages.page import page_router

router = page_router("/live")
