"""Receive: a truck is here."""

from service.pages.page import page_router

router = page_router("/receive")
