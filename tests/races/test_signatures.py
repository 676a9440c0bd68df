"""Two people at the same load: one signature, one photo, whoever was first."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from typing import Any

from tests.inspections.test_inspections import a_delivery, all_well, opened, signed
from tests.kitchen import Kitchen, Person
from tests.photos.test_photos import kept_files, rows, sent
from tests.photos.test_pictures import picture


def at_once(people: list[Person], act: Callable[[Person], Any]) -> list[Any]:
    """What each is answered who does the same at the same moment."""
    start = Barrier(len(people))

    def go(person: Person) -> Any:
        start.wait()
        return act(person)

    with ThreadPoolExecutor(len(people)) as pool:
        return list(pool.map(go, people))


def test_of_two_who_sign_at_once_one_decides_and_the_other_is_told_so(kitchen: Kitchen) -> None:
    delivery = a_delivery(kitchen)
    inspection = opened(kitchen, delivery)
    all_well(kitchen, inspection)
    people = [kitchen.commissary, kitchen.manager] * 3
    answers = at_once(people, lambda person: signed(person, inspection, "hold"))
    assert sorted(answer.status_code for answer in answers) == [201] + [409] * 5
    assert {a.json()["type"] for a in answers if a.status_code == 409} == {
        "/problems/inspection-signed"
    }
    code = delivery["lots"][0]["code"]
    assert len(kitchen.keeper.shown(f"/lots/{code}")["holds"]) == 1


def test_an_answer_never_slips_in_behind_a_signature(kitchen: Kitchen) -> None:
    inspection = opened(kitchen, a_delivery(kitchen))
    all_well(kitchen, inspection)
    bad = {"answers": [{"item": "box_ice", "answer": "reject"}]}
    address = f"/inspections/{inspection['id']}/answers"

    def act(person: Person) -> Any:
        if person.token == kitchen.manager.token:
            return signed(person, inspection, "accept")
        return person.post(address, bad)

    signature, answer = at_once([kitchen.manager, kitchen.commissary], act)
    assert (signature.status_code, answer.status_code) in ((201, 409), (409, 201))


def test_one_picture_sent_by_several_at_once_is_one_photo(kitchen: Kitchen) -> None:
    people = [kitchen.commissary, kitchen.manager] * 2
    answers = at_once(people, lambda person: sent(person, picture()))
    assert [answer.status_code for answer in answers] == [201] * 4
    assert len({answer.text for answer in answers}) == 1
    assert len(kept_files(kitchen)) == 1 and rows(kitchen)[0] == 1
