"""The board: what must be done, the most urgent first, for whoever may do it."""

import re
from datetime import timedelta
from html import unescape

from sqlmodel import Session

from service.notifications.actions.telling import tell
from service.notifications.rules import Subject, Urgency
from service.pages.board import MOST_BATCHES
from service.security import audit
from service.security.actor import SERVICE
from service.welfare.models import WelfareConcern
from tests.architecture.test_statements import counted
from tests.chores.test_chores import all_done
from tests.kitchen import Kitchen
from tests.pages.visiting import hidden_fields, visitor

CARD = re.compile(r'<li class="card[^"]*" id="([^"]+)">(.*?)</li>', re.S)
HOSTILE = '"><img src=x onerror=alert(1)>'


def board(kitchen: Kitchen, role: str = "keeper") -> str:
    return visitor(kitchen, role).page("/")


def cards(page: str) -> dict[str, str]:
    """The cards of a board in order, their words."""
    return {id_: unescape(re.sub(r"<[^>]+>", " ", inside)) for id_, inside in CARD.findall(page)}


def measured(kitchen: Kitchen, **warmest: float) -> None:
    """The last five hours of both freezers and the refrigerator."""
    begin = kitchen.clock() - timedelta(hours=5)
    for probe, usual in (("FZ1-AIR", -22.0), ("FZ2-AIR", -22.0), ("COOL-AIR", 2.0)):
        value = warmest.get(probe.split("-")[0], usual)
        kitchen.temperatures(probe, begin, [value] * 61, every_s=300)


def noted(session: Session, kitchen: Kitchen) -> None:
    """As an action would: what was written is news."""
    audit.note(session, SERVICE, "noticed", "x", at=kitchen.clock(), site_id=1)


def test_an_empty_board_says_that_all_is_well(small_kitchen: Kitchen) -> None:
    all_done(small_kitchen)
    small_kitchen.keeper.made("/checks", {"kind": "sanitised", "place": "TANK1", "method": "steam"})
    measured(small_kitchen)
    page = board(small_kitchen)
    assert "All is well." in page and cards(page) == {}


def test_where_nobody_measures_all_is_not_well(small_kitchen: Kitchen) -> None:
    all_done(small_kitchen)
    measured(small_kitchen)
    small_kitchen.clock.forward(hours=3)
    page = board(small_kitchen)
    assert set(cards(page)) == {"silent-FZ1", "silent-FZ2", "silent-COOL"}
    assert "Not measured" in cards(page)["silent-FZ1"] and "All is well." not in page


def test_a_thaw_batch_shows_its_clock_and_past_its_time_it_comes_first(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()
    batch = kitchen.pulled(lot["code"], "20 kg")
    page = board(kitchen)
    card = cards(page)[f"batch-{batch['code']}"]
    assert "Thawing" in card and "HER 20.0 kg · TANK1" in card and "Discard after" in card
    assert f'data-end="{batch["discard_after"]}"'.replace("Z", "+00:00") in page
    kitchen.clock.forward(hours=26)
    late = cards(board(kitchen))
    assert "At once" in board(kitchen) and f"batch-{batch['code']}" in list(late)[:4]
    assert "Discard what is left" in late[f"batch-{batch['code']}"]


def test_thawed_fish_says_since_when(kitchen: Kitchen) -> None:
    batch = kitchen.pulled(kitchen.a_lot()["code"], "10 kg", to="COOL")
    kitchen.clock.forward(hours=20)
    kitchen.keeper.made(f"/thaw-batches/{batch['code']}/thawed", {"method": "touch"})
    card = cards(board(kitchen))[f"batch-{batch['code']}"]
    assert "Thawed since Thu" not in card and "Thawed since 02:00" in card


def test_nutritionists_see_the_range_of_a_thaw_time_and_keepers_a_number(kitchen: Kitchen) -> None:
    batch = kitchen.pulled(kitchen.a_lot()["code"], "20 kg")
    key = f"batch-{batch['code']}"
    assert re.search(r"thawed about [^()]*\(.* to .*\)", cards(board(kitchen, "nutritionist"))[key])
    assert "(" not in cards(board(kitchen, "keeper"))[key].split("thawed about")[1]


def test_a_lot_on_hold_and_why_is_on_the_board_until_it_is_released(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    hold = kitchen.keeper.made(f"/lots/{lot}/holds", {"reason": f"smells {HOSTILE}"})
    page = board(kitchen)
    assert f"{lot} · HER: smells" in cards(page)["holds"]
    assert HOSTILE not in page and "&lt;img src=x" in page
    kitchen.vet.made(f"/holds/{hold['id']}/release", {"reason": "looked at it"})
    assert "holds" not in cards(board(kitchen))


def test_an_animal_off_food_comes_at_once_and_says_what_to_do(kitchen: Kitchen) -> None:
    with kitchen.writing() as session:
        session.add(
            WelfareConcern(
                site_id=1,
                animal_id=1,
                kind="off_food",
                reason=None,
                since=kitchen.clock() - timedelta(days=2),
                because="has eaten nothing for 2 days",
                numbers={},
                told_at=kitchen.clock(),
            )
        )
        noted(session, kitchen)
    page = board(kitchen)
    card = cards(page)["concern-1"]
    assert "Off food" in card and "BRINE" in card and "attending veterinarian" in card
    assert 'href="/animals/BRINE"' in page
    assert page.index("At once") < page.index("concern-1") < page.index('id="board-ribbon"')


def test_what_is_overdue_for_cleaning_is_on_the_board_until_it_is_done(kitchen: Kitchen) -> None:
    all_done(kitchen)
    kitchen.clock.forward(days=40)
    assert "sanitise KITCHEN" in cards(board(kitchen))["chores-overdue"]
    all_done(kitchen)
    assert "chores-overdue" not in cards(board(kitchen))


def told(kitchen: Kitchen, title: str) -> None:
    with kitchen.writing() as session:
        tell(
            session,
            site_id=1,
            subject=Subject.EXCURSION,
            number=0,
            title=title,
            body="",
            urgency=Urgency.NOW,
            at=kitchen.clock(),
        )
        noted(session, kitchen)


def test_somebody_says_that_they_know_and_it_leaves_the_board(kitchen: Kitchen) -> None:
    told(kitchen, f"FZ1 is warm {HOSTILE}")
    who = visitor(kitchen, "keeper")
    page = who.page("/")
    assert "nobody has said they know" in page and HOSTILE not in page
    action = re.findall(r'action="(/messages/\d+/known)"', page)[0]
    assert who.sent(action, hidden_fields(page)) == "/"
    assert "nobody has said they know" not in who.page("/")


def test_who_may_not_acknowledge_sees_no_button_and_is_refused(kitchen: Kitchen) -> None:
    told(kitchen, "FZ1 is warm")
    who = visitor(kitchen, "inspector")
    assert "FZ1 is warm" in who.page("/") and "/known" not in who.page("/")
    assert who.post("/messages/1/known", {}).status_code == 403


def test_the_ribbon_is_thick_where_a_freezer_was_warm_and_broken_where_nobody_measured(
    kitchen: Kitchen,
) -> None:
    measured(kitchen, FZ2=-5.0)
    tracks = dict(
        re.findall(r'<a href="/rooms/(\w+)">.*?(<svg class="line".*?</svg>)', board(kitchen), re.S)
    )
    assert "thread cold" in tracks["FZ1"] and "thread warm" not in tracks["FZ1"]
    assert "thread warm" in tracks["FZ2"]
    kitchen.clock.forward(hours=2)
    page = board(kitchen)
    assert "not measured since 06:00" in page
    widths = [float(w) for w in re.findall(r'<rect x="[\d.]+%" width="([\d.]+)%" y="14"', page)]
    assert widths and max(widths) < 100 * 2.1 / 22  # two of the last four hours


def test_a_board_of_a_moment_ago_is_kept_only_while_nothing_happens(kitchen: Kitchen) -> None:
    lot, who = kitchen.a_lot()["code"], visitor(kitchen, "keeper")
    with counted(kitchen) as cold:
        who.page("/")
    with counted(kitchen) as kept:
        who.page("/")
    assert len(kept) < len(cold) / 3
    batch = kitchen.pulled(lot, "10 kg")
    assert f"batch-{batch['code']}" in cards(who.page("/"))


def test_many_thaw_batches_are_cut_and_counted(small_kitchen: Kitchen) -> None:
    lot = small_kitchen.a_lot(species="CAP", mass="600 kg")["code"]
    for _ in range(MOST_BATCHES + 2):
        small_kitchen.pulled(lot, "12 kg")
    page = board(small_kitchen)
    assert "2 more thaw batches" in page
    assert len([key for key in cards(page) if key.startswith("batch-")]) == MOST_BATCHES
    assert len(page.encode()) < 300_000


def test_a_delivery_that_nobody_has_signed_waits_on_the_board_of_who_may_receive(
    kitchen: Kitchen,
) -> None:
    kitchen.a_lot()
    delivery = kitchen.commissary.shown("/deliveries")["items"][0]["id"]
    kitchen.commissary.made(f"/deliveries/{delivery}/inspections", {})
    assert "Inspections to sign: 1" in visitor(kitchen, "commissary").page("/")
    assert "Inspections to sign" not in visitor(kitchen, "keeper").page("/")
