"""Supplements: what is signed, why, and what has changed."""

from service.pages.page import page_router

router = page_router("/supplements")
