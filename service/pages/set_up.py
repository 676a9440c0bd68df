"""Settings: places, probes, products, people, and the figures of the rules."""

from service.pages.page import page_router

router = page_router("/settings")
