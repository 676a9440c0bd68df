"""Records: what a vet or an inspector asks for, on paper and as a table."""

from service.pages.page import page_router

router = page_router("/records")
