"""What pages tell is so: of the right site, by its own name, and in figures that hold."""

import re
from dataclasses import replace
from html import unescape

import pytest

from service.pages.words import Writer
from service.quantities import MassUnit, Units, parse_mass
from service.site import queries as sites
from service.welfare.models import WelfareConcern
from tests.kitchen import Kitchen
from tests.pages.visiting import visitor
from tests.supplements.test_plans import tablet
from tests.supplements.test_standing import on_diet, signed

FAR = "Pacific/Auckland"


def far_site(kitchen: Kitchen) -> str:
    """A second site, thirteen hours ahead, in pounds and Fahrenheit; a lot of it thaws."""
    boss = kitchen.manager
    boss.made(
        "/sites",
        {
            "code": "ZFAR",
            "name": "Far",
            "timezone": FAR,
            "mass_unit": "lb",
            "temperature_unit": "f",
        },
    )
    for code, kind in (("ZFZ", "freezer"), ("ZTANK", "thaw_tank"), ("ZCOOL", "refrigerator")):
        boss.made("/places", {"code": code, "name": code, "kind": kind, "site": "ZFAR"})
    lot = kitchen.a_lot("CAP", place="ZFZ")["code"]
    body = {"lot": lot, "from_place": "ZFZ", "mass": "12 kg", "to_place": "ZTANK"}
    return str(kitchen.keeper.made("/pulls", body)["thaw_batch"]["code"])


def test_a_thaw_batch_of_another_site_stands_in_that_sites_time_and_units(
    kitchen: Kitchen,
) -> None:
    batch = far_site(kitchen)
    page = visitor(kitchen, "keeper").page(f"/thaw/batches/{batch}")
    assert "26.5 lb" in page
    assert "Discard after Thu 26 Nov 19:00" in page  # 24 h after 19:00 in Auckland


def test_a_time_entered_for_another_site_is_read_in_that_sites_time(kitchen: Kitchen) -> None:
    far_site(kitchen)
    kitchen.manager.made(
        "/animals",
        {
            "code": "KEA",
            "name": "Kea",
            "taxon": "Eudyptula minor",
            "group": "penguin",
            "site": "ZFAR",
        },
    )
    sent = {"mass.value": "2.5", "mass.unit": "lb", "occurred_at": "2026-11-25T18:30"}
    visitor(kitchen, "manager").sent("/animals/KEA/weights", sent)
    (weight,) = kitchen.manager.shown("/animals/KEA/weights")["items"]
    assert weight["occurred_at"] == "2026-11-25T05:30:00Z"
    assert "2.50 lb" in visitor(kitchen, "keeper").page("/animals/KEA")


def test_the_label_of_a_thaw_batch_leads_to_its_page(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    batch = kitchen.pulled(lot, "12 kg")["code"]
    who = visitor(kitchen, "keeper")
    led = who.get("/stock/find", params={"code": batch}).headers["location"]
    assert batch in who.page(led)
    assert f'href="/thaw/batches/{batch}"' in who.page(f"/stock/{lot}")


@pytest.mark.parametrize("unit", ["kg", "lb"])
def test_no_amount_is_rounded_to_nothing_and_what_a_field_holds_reads_back(
    kitchen: Kitchen, unit: str
) -> None:
    with kitchen.looking() as session:
        view = sites.view(session, 1, at=kitchen.clock())
    write = Writer(replace(view, units=Units(mass=MassUnit(unit))), "en", kitchen.clock())
    for grams in (17, 40, 125, 250, 1234, 98_765, 1_234_567):
        shown = write.mass(grams)
        assert parse_mass(shown).grams == pytest.approx(grams, rel=0.01), shown
        assert parse_mass(f"{write.amount(grams)} {unit}").grams == grams


def test_thawed_fish_of_a_lot_on_hold_is_nowhere_shown_as_usable(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot("CAP")["code"]
    batch = kitchen.pulled(lot, "12 kg")["code"]
    kitchen.keeper.made(f"/thaw-batches/{batch}/thawed", {"method": "touch"})
    who = visitor(kitchen, "keeper")
    assert "On hold" not in who.page("/thaw")
    kitchen.keeper.made(f"/lots/{lot}/holds", {"reason": "smells sour"})
    assert '<span class="mark stop">On hold</span>' in who.page("/thaw")
    assert "until a vet or manager releases it" in who.page(f"/thaw/batches/{batch}")
    card = who.page("/").split(f'id="batch-{batch}"', 1)[1].split("</article>", 1)[0]
    assert "On hold" in card


def test_what_was_done_before_it_is_written_down_counts_from_then(kitchen: Kitchen) -> None:
    batch = kitchen.pulled(kitchen.a_lot("CAP")["code"], "12 kg", to="COOL")["code"]
    kitchen.clock.forward(hours=4)
    who = visitor(kitchen, "keeper")
    page = who.page(f"/thaw/batches/{batch}")
    assert len(page.split('name="occurred_at"')) > 6 and 'name="already_done"' in page
    then = {"method": "touch", "occurred_at": "2026-11-25T08:30"}
    who.sent(f"/thaw/batches/{batch}/looks", {"_found": "thawed", **then})
    shown = kitchen.keeper.shown(f"/thaw-batches/{batch}")
    assert shown["thawed_at"] == "2026-11-25T08:30:00Z"
    assert shown["discard_after"] == "2026-11-26T08:30:00Z"


def test_what_was_noticed_about_an_animal_is_called_what_it_is(kitchen: Kitchen) -> None:
    with kitchen.writing() as session:
        session.add(
            WelfareConcern(
                site_id=1,
                animal_id=1,
                kind="gaining_mass",
                since=kitchen.clock(),
                because="weighs 8 % more than a month ago",
                numbers={},
                told_at=kitchen.clock(),
            )
        )
    page = visitor(kitchen, "keeper").page("/animals")
    assert "Gains mass" in page and "ff food" not in page


def test_a_dose_of_another_day_is_not_recorded_from_its_sheet(small_kitchen: Kitchen) -> None:
    small_kitchen.a_lot()
    on_diet(small_kitchen, her=3, cap=2)
    tablet(small_kitchen, "B1-100", {"THIA": (100, "mg")})
    signed(small_kitchen)
    who = visitor(small_kitchen, "keeper")
    record = "/supplements/BRINE#today"
    assert record in who.page("/supplements/kitchen")
    tomorrow = who.page("/supplements/kitchen?day=2026-11-26")
    assert "Brine" in tomorrow and record not in tomorrow


def test_a_table_of_lots_is_not_cut_off_at_a_page(kitchen: Kitchen) -> None:
    for _ in range(4):
        line = {
            "product": "CAP-IQF-12",
            "caught_from": "2026-08-01",
            "mass": "12 kg",
            "place": "FZ1",
            "core_temperatures": ["-20.1 °C", "-19.4 °C", "-21 °C"],
        }
        lots = [line | {"supplier_lot": f"S-{n}"} for n in range(14)]
        body = {"supplier": "NORD", "arrived_at": "2026-11-02T09:40:00Z", "lots": lots}
        kitchen.commissary.made("/deliveries", body)
    who = visitor(kitchen, "keeper")
    (link,) = re.findall(r'href="(/v1/lots\?[^"]*as=csv)"', who.page("/stock"))
    assert len(who.get(unescape(link)).text.splitlines()) == 1 + 56
