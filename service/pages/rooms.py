"""Cold rooms: how cold each place is, was, and what that did to the fish."""

from service.pages.page import page_router

router = page_router("/rooms")
