"""Animals: what each ate, against what it should have."""

from service.pages.page import page_router

router = page_router("/animals")
