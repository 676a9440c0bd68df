"""Lots: what there is, in the order it is used, and where it came from and went."""

from service.pages.page import page_router

router = page_router("/stock")
