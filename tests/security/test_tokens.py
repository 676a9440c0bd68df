"""Who is asking: tokens and passwords."""

import hashlib
from datetime import timedelta
from typing import Any

import pytest
from sqlmodel import Session, col, select, update

from service.errors import Conflict, Invalid
from service.security import users
from service.security.models import ApiToken, User
from service.security.remembering import KNOWN_FOR_S
from service.security.rules import Action, Role
from tests.kitchen import Kitchen, Person


def token_of(kitchen: Kitchen, role: Role, name: str, **more: Any) -> Person:
    with kitchen.writing() as session:
        user = users.add_user(session, name, role, at=kitchen.clock())
        return Person(kitchen.app, users.issue_token(session, user, at=kitchen.clock(), **more))


def only_user(session: Session, name: str) -> User:
    return session.exec(select(User).where(col(User.name) == name)).one()


UNKNOWN: list[str | None] = [
    None,
    "",
    "Bearer",
    "Bearer ",
    "Bearer fh_unknown",
    "Bearer fh_\xff",
    "Basic bWFuYWdlcjpzZWNyZXQ=",
    "fh_unknown",
]


def test_nobody_known_is_told_so_and_how_to_ask(small_kitchen: Kitchen) -> None:
    for header in UNKNOWN:
        headers = {} if header is None else {"Authorization": header.encode("latin-1")}
        answer = small_kitchen.stranger.get("/lots", headers=headers)
        assert answer.status_code == 401, header
        assert answer.json()["type"] == "/problems/not-authenticated"
        # RFC 9110, section 11.6.1: a 401 names the scheme.
        assert answer.headers["www-authenticate"] == "Bearer"


def test_health_needs_no_token(small_kitchen: Kitchen) -> None:
    assert small_kitchen.stranger.get("/healthz").status_code == 200
    assert small_kitchen.stranger.get("/readyz").status_code == 200


def test_the_scheme_is_found_in_any_case(small_kitchen: Kitchen) -> None:
    headers = {"Authorization": f"bearer {small_kitchen.keeper.token}"}
    assert small_kitchen.stranger.get("/lots", headers=headers).status_code == 200


def test_a_withdrawn_token_stops_within_seconds(kitchen: Kitchen) -> None:
    keeper = kitchen.keeper
    assert keeper.get("/lots").status_code == 200
    with kitchen.writing() as session:
        session.execute(
            update(ApiToken)
            .where(col(ApiToken.token_hash) == users.hash_token(keeper.token or ""))
            .values(revoked_at=kitchen.clock())
        )
    kitchen.clock.forward(seconds=KNOWN_FOR_S + 0.1)
    assert keeper.get("/lots").status_code == 401


def test_every_token_of_somebody_disabled_stops(kitchen: Kitchen) -> None:
    keeper, vet = kitchen.keeper, kitchen.vet
    with kitchen.writing() as session:
        only_user(session, "keeper").disabled_at = kitchen.clock()
    kitchen.clock.forward(seconds=KNOWN_FOR_S + 0.1)
    assert keeper.get("/lots").status_code == 401
    assert vet.get("/lots").status_code == 200


def test_a_token_ends_at_its_last_instant_even_while_it_is_remembered(kitchen: Kitchen) -> None:
    until = kitchen.clock() + timedelta(seconds=1)
    person = token_of(kitchen, Role.KEEPER, "guest", expires_at=until)
    assert person.get("/lots").status_code == 200
    kitchen.clock.forward(seconds=1)
    assert person.get("/lots").status_code == 401


def test_a_clock_set_back_does_not_bring_a_withdrawn_token_to_life(kitchen: Kitchen) -> None:
    keeper = kitchen.keeper
    assert keeper.get("/lots").status_code == 200
    with kitchen.writing() as session:
        session.execute(update(ApiToken).values(revoked_at=kitchen.clock()))
    kitchen.clock.forward(hours=-1)
    assert keeper.get("/lots").status_code == 401


def test_a_scoped_token_does_what_it_is_for_and_nothing_else_its_owner_may(
    kitchen: Kitchen,
) -> None:
    scale = token_of(kitchen, Role.MANAGER, "scale", scopes=[Action.KEEP_ANIMALS])
    assert scale.post("/animals/BRINE/weights", {"mass": "104 kg"}).status_code == 201
    refused = scale.get("/lots")
    assert refused.status_code == 403
    assert refused.json()["type"] == "/problems/not-allowed"
    nothing = token_of(kitchen, Role.MANAGER, "idle", scopes=[])
    assert nothing.get("/lots").status_code == 403


def test_a_scope_gives_no_right_that_the_role_does_not_have(small_kitchen: Kitchen) -> None:
    person = token_of(small_kitchen, Role.KEEPER, "climber", scopes=[Action.SET_UP])
    assert person.post("/suppliers", {"code": "X1", "name": "Xi"}).status_code == 403


def test_somebody_of_another_site_is_refused_everything_of_this_one(kitchen: Kitchen) -> None:
    boss = kitchen.manager
    lot = kitchen.a_lot()["code"]
    batch = kitchen.pulled(lot, "10 kg")["code"]
    hold = boss.made(f"/lots/{lot}/holds", {"reason": "recall"})["id"]
    boss.made("/sites", {"code": "SUD", "name": "South house"})
    boss.made("/places", {"code": "S1", "name": "South", "kind": "freezer", "site": "SUD"})
    other = kitchen.person("manager", site_ids=(2,))

    line = {"product": "HER-BLOCK-10", "caught_from": "2026-08-01", "mass": "10 kg", "place": "FZ1"}
    window = "from=2026-11-24T00:00:00Z&to=2026-11-25T00:00:00Z"
    asked: list[tuple[str, str, Any]] = [
        ("GET", "/sites/main", None),
        ("PUT", "/sites/main", {"name": "Taken over"}),
        ("GET", "/sites/main/policy", None),
        ("PUT", "/sites/main/policy", {"changes": {"gap_minutes": 10}, "reason": "because"}),
        ("POST", "/places", {"code": "P9", "name": "Pi", "kind": "ice", "site": "MAIN"}),
        ("POST", "/places", {"code": "P9", "name": "Pi", "kind": "ice", "parent": "FZ1"}),
        ("POST", "/probes", {"code": "Q9", "place": "FZ1"}),
        ("POST", "/deliveries", {"supplier": "NORD", "lots": [line]}),
        ("GET", f"/lots/{lot}", None),
        ("GET", f"/lots/{lot}/quality", None),
        ("GET", f"/stock?lot={lot}", None),
        ("GET", "/stock?place=FZ1", None),
        ("POST", f"/lots/{lot}/holds", {"reason": "recall"}),
        ("POST", f"/holds/{hold}/release", {"reason": "it is over"}),
        ("POST", f"/lots/{lot}/rejection", {"reason": "spoiled"}),
        (
            "POST",
            f"/lots/{lot}/assays",
            {
                "sampled_on": "2026-11-03",
                "laboratory": "Lab",
                "values": [{"nutrient": "FAT", "amount": 11, "unit": "g/100g"}],
            },
        ),
        (
            "POST",
            "/moves",
            {"lot": lot, "from_place": "FZ1", "to_place": "FZ2", "mass": "10 kg"},
        ),
        ("POST", "/counts", {"lot": lot, "place": "FZ1", "mass": "1 kg", "reason": "recount"}),
        ("GET", "/movements/1", None),
        ("POST", "/movements/1/reversal", {"reason": "mistake"}),
        ("GET", f"/places/FZ1/temperatures?{window}", None),
        ("POST", "/thaw-requests", {"day": "2026-11-26", "thaw_place": "TANK1"}),
        (
            "POST",
            "/pulls",
            {"lot": lot, "from_place": "FZ1", "to_place": "TANK1", "mass": "10 kg"},
        ),
        ("GET", f"/thaw-batches/{batch}", None),
        ("POST", f"/thaw-batches/{batch}/thawed", {}),
        ("POST", f"/thaw-batches/{batch}/discard", {"mass": "1 kg", "reason": "spoiled"}),
        ("POST", f"/thaw-batches/{batch}/put-back", {"mass": "1 kg", "to_place": "FZ1"}),
        ("GET", "/animals/BRINE", None),
        ("GET", "/animals/BRINE/intake", None),
        ("POST", "/animals/BRINE/weights", {"mass": "104 kg"}),
        (
            "POST",
            "/animals/BRINE/diets",
            {"from": "2026-11-01", "items": [{"species": "HER", "mass": "1 kg"}]},
        ),
        (
            "POST",
            "/feeds",
            {
                "animal": "BRINE",
                "items": [{"thaw_batch": batch, "offered": "1 kg", "eaten": "1 kg"}],
            },
        ),
        (
            "POST",
            "/requirements",
            {"nutrient": "THIA", "amount": 1, "unit": "mg", "applies_to": {"animal": "BRINE"}},
        ),
        ("POST", "/supplement-plans", {"animal": "BRINE", "day": "2026-11-25"}),
    ]
    before = kitchen.balance()
    for method, address, body in asked:
        answer = other.ask(method, address, **({} if body is None else {"json": body}))
        assert answer.status_code == 403, (method, address, answer.text)
        assert answer.json()["type"] == "/problems/not-allowed"
    assert kitchen.balance() == before
    for listed in ("/lots", "/stock", "/thaw-batches", "/animals", "/probes", "/deliveries"):
        assert other.shown(listed)["items"] == [], listed
    assert [p["code"] for p in other.shown("/places")["items"]] == ["S1"]
    assert {e["chain"] for e in other.shown("/audit?limit=500")["items"]} <= {2}


def test_a_token_is_stored_as_a_hash_and_nowhere_else(kitchen: Kitchen) -> None:
    token = kitchen.keeper.token or ""
    assert len(token) > 40, "256 random bits"
    with kitchen.looking() as session:
        stored = [row.token_hash for row in session.exec(select(ApiToken))]
    assert hashlib.sha256(token.encode()).digest() in stored
    kitchen.keeper.made(
        "/animals/BRINE/weights", {"mass": "104 kg"}, headers={"Idempotency-Key": "k"}
    )
    if kitchen.app.state.database.is_sqlite:
        kitchen.close()
        assert token.encode() not in (kitchen.folder / "kitchen.db").read_bytes()


def test_a_password_is_hashed_with_argon2id_and_salted(small_kitchen: Kitchen) -> None:
    with small_kitchen.writing() as session:
        at = small_kitchen.clock()
        first = users.add_user(session, "ada", Role.VET, at=at, password="correct horse")
        second = users.add_user(session, "ben", Role.VET, at=at, password="correct horse")
        # The string format of the Argon2 reference implementation.
        assert (first.password_hash or "").startswith("$argon2id$v=19$m=")
        assert first.password_hash != second.password_hash
        memory_kib = int((first.password_hash or "").split("m=")[1].split(",")[0])
        # OWASP Password Storage Cheat Sheet: Argon2id with at least 19 MiB [from memory].
        assert memory_kib >= 19 * 1024
        assert users.password_fits(first, "correct horse")
        assert not users.password_fits(first, "correct horse ")
        assert not users.password_fits(User(name="c", role="vet", created_at=at), "")


def test_a_user_needs_a_name_of_their_own_and_a_password_worth_the_name(
    small_kitchen: Kitchen,
) -> None:
    at = small_kitchen.clock()
    with small_kitchen.writing() as session:
        users.add_user(session, "ada", Role.VET, at=at)
        with pytest.raises(Conflict):
            users.add_user(session, "ada", Role.KEEPER, at=at)
        with pytest.raises(Invalid):
            users.add_user(session, "  ", Role.KEEPER, at=at)
        with pytest.raises(Invalid):
            users.add_user(session, "ben", Role.KEEPER, at=at, password="ninechars")
