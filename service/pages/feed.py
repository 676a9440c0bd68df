"""Feed: the round, one card an animal; works without a network."""

from service.pages.page import page_router

router = page_router("/feed")
