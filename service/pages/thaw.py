"""Thaw: what to pull, when, and what is on its way."""

from service.pages.page import page_router

router = page_router("/thaw")
