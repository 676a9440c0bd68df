"""The pages, as the application takes them."""

from fastapi import APIRouter

from service.pages import (
    animals,
    animals_one,
    authority,
    board,
    feed,
    first_run,
    live,
    log_in,
    offline,
    receive,
    records,
    rooms,
    set_up,
    stock,
    supplements,
    thaw,
    thaw_batch,
    thaw_plan,
    thaw_pull,
)

routers: tuple[APIRouter, ...] = (
    log_in.router,
    authority.router,
    board.router,
    receive.router,
    rooms.router,
    stock.router,
    thaw.router,
    thaw_plan.router,
    thaw_pull.router,
    thaw_batch.router,
    feed.router,
    supplements.router,
    animals.router,
    animals_one.router,
    records.router,
    set_up.router,
    first_run.router,
    offline.router,
    live.router,
)
