"""The application to compare with: a route that answers the same rows from memory.

No database, no token check, no middleware: what FastAPI itself costs with a
declared response model.
"""

import os
from pathlib import Path

from fastapi import FastAPI

from service.http.bodies import Page
from service.quality.schemas import LotDetail, LotRow

ROWS = "FISHHOUSE_BENCH_ROWS"  # names the folder with lot.json and list.json


def create_bare() -> FastAPI:
    """One lot and a page of lots, read once from the answers of the service."""
    folder = Path(os.environ[ROWS])
    one = LotDetail.model_validate_json((folder / "lot.json").read_bytes()).model_dump()
    page = Page[LotRow].model_validate_json((folder / "list.json").read_bytes()).model_dump()
    app = FastAPI()

    @app.get("/v1/lots", response_model=Page[LotRow])
    async def list_lots() -> object:
        """The page, from memory."""
        return page

    @app.get("/v1/lots/{lot}", response_model=LotDetail)
    async def get_lot(lot: str) -> object:  # noqa: ARG001 - parsed, as the service parses it
        """The lot, from memory."""
        return one

    return app
