"""What a tablet needs to go on without a network: the manifest and the service worker."""

from service.pages.page import page_router

router = page_router()
