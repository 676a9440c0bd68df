"""What answers, cores and defective cartons come to.

One reject proposes rejection, any question holds: common practice. Cores: −18 °C is
Reg. (EC) 853/2004 and CXS 36-1981; −15 °C tolerance of transport [memory, high].
"""

from collections.abc import Mapping
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.inspections.rules.cartons import Sample
from service.inspections.rules.checklist import Answer, Purpose, Stage, items
from service.inspections.rules.outcome import (
    VERDICTS,
    Arrived,
    Opened,
    Seen,
    Verdict,
    proposal,
)
from service.lots.rules import ReceivedAs
from service.quantities import parse_temperature
from service.site.rules import default_policy

POLICY = default_policy()
COLD = ("-20 °C", "-21 °C", "-19 °C")
ALL_WELL = dict.fromkeys(items(), Answer.ACCEPT)


def seen(
    answers: Mapping[str, Answer] = ALL_WELL,
    *,
    cores: tuple[str, ...] = COLD,
    opened: Opened | None = Opened(6, 0),
    purpose: Purpose = Purpose.NEW_SUPPLIER,
    received_as: ReceivedAs = ReceivedAs.FROZEN,
    cartons: int = 64,
    arrived: Arrived = Arrived(),
) -> Seen:
    """A lot of 64 cartons, six of them to be opened, of which one may be defective."""
    return Seen(
        lot="L1",
        received_as=received_as,
        purpose=purpose,
        answers=answers,
        cores=[parse_temperature(core) for core in cores],
        sample=Sample(6, 1, "I"),
        opened=opened,
        cartons=cartons,
        arrived=arrived,
    )


def without(*codes: str) -> dict[str, Answer]:
    return {code: answer for code, answer in ALL_WELL.items() if code not in codes}


def verdict(found: Seen) -> Verdict:
    return proposal(found, POLICY).verdict


def rules(found: Seen) -> set[str]:
    return {reason.found.rule for reason in proposal(found, POLICY).reasons}


def test_a_load_that_is_well_in_everything_is_proposed_for_acceptance_without_reasons() -> None:
    found = proposal(seen(), POLICY)
    assert (found.verdict, found.reasons, found.open_items) == (Verdict.ACCEPT, (), ())


@pytest.mark.parametrize("code", sorted(items()))
def test_one_question_holds_and_one_reject_proposes_rejection(code: str) -> None:
    for answer, expected in ((Answer.QUESTION, Verdict.HOLD), (Answer.REJECT, Verdict.REJECT)):
        if items()[code].has(answer):
            found = proposal(seen(ALL_WELL | {code: answer}), POLICY)
            assert found.verdict is expected
            assert [r.found.numbers["item"] for r in found.reasons] == [code]
            assert found.reasons[0].found.may_override == ("manager",)


def test_the_checklist_says_of_each_answer_what_it_looks_like() -> None:
    assert len(items()) == 24
    assert all(item.accept and item.question and item.look_at for item in items().values())
    assert [code for code, item in items().items() if not item.reject] == ["lens_frozen"]
    assert {item.stage for item in items().values()} == set(Stage)


@pytest.mark.parametrize("code", sorted(set(items()) - {"core_temp"}))
def test_what_is_not_answered_is_a_question(code: str) -> None:
    found = proposal(seen(without(code)), POLICY)
    assert (found.verdict, found.open_items) == (Verdict.HOLD, (code,))


def test_a_routine_delivery_does_not_wait_for_the_thawed_sample_but_hears_what_it_says() -> None:
    thawed = [code for code, item in items().items() if item.stage is Stage.THAWED]
    assert verdict(seen(without(*thawed), purpose=Purpose.ROUTINE)) is Verdict.ACCEPT
    for purpose in (Purpose.NEW_SUPPLIER, Purpose.DISPUTE):
        assert verdict(seen(without(*thawed), purpose=purpose)) is Verdict.HOLD
    sour = without(*thawed) | {"smell_thawed": Answer.REJECT}
    assert verdict(seen(sour, purpose=Purpose.ROUTINE)) is Verdict.REJECT


def test_fish_that_is_not_frozen_is_not_asked_what_only_frozen_fish_can_answer() -> None:
    frozen = [code for code, i in items().items() if ReceivedAs.CHILLED not in i.asked_of]
    assert {"core_temp", "block_shape", "vehicle_temp", "box_ice"} <= set(frozen)
    chilled = seen(without(*frozen), received_as=ReceivedAs.CHILLED, cores=())
    assert verdict(chilled) is Verdict.ACCEPT


@pytest.mark.parametrize(
    ("warmest", "expected"),
    [
        ("-18 °C", Verdict.ACCEPT),
        ("0 °F", Verdict.ACCEPT),  # the pair of 9 CFR 3.105(d)
        ("-17.9 °C", Verdict.HOLD),
        ("-15 °C", Verdict.HOLD),
        ("-14.9 °C", Verdict.REJECT),
    ],
)
def test_a_thermometer_answers_for_the_core_whatever_was_said(
    warmest: str, expected: Verdict
) -> None:
    cores = (*COLD[1:], warmest)
    assert verdict(seen(without("core_temp"), cores=cores)) is expected
    assert verdict(seen(cores=cores)) is expected
    if expected is not Verdict.ACCEPT:
        assert rules(seen(cores=cores)) == {"core-too-warm"}


def test_a_person_may_be_stricter_about_the_core_than_the_thermometer() -> None:
    said = ALL_WELL | {"core_temp": Answer.REJECT}
    assert verdict(seen(said)) is Verdict.REJECT
    assert rules(seen(said)) == {"inspection"}


def test_too_few_cores_hold_and_those_of_the_arrival_count() -> None:
    assert verdict(seen(cores=COLD[:2])) is Verdict.HOLD
    assert verdict(seen(cores=COLD[:2], arrived=Arrived(1, "pass"))) is Verdict.ACCEPT
    assert verdict(seen(without("core_temp"), cores=())) is Verdict.HOLD
    assert verdict(seen(without("core_temp"), cores=(), arrived=Arrived(3, "pass"))) is (
        Verdict.ACCEPT
    )
    assert verdict(seen(arrived=Arrived(3, "block"))) is Verdict.REJECT
    assert verdict(seen(cores=COLD[:2], cartons=2)) is Verdict.ACCEPT, "both cartons were measured"


@pytest.mark.parametrize(
    ("opened", "expected"),
    [
        (Opened(6, 0), Verdict.ACCEPT),
        (Opened(6, 1), Verdict.ACCEPT),
        (Opened(6, 2), Verdict.HOLD),
        (Opened(5, 0), Verdict.HOLD),
        (Opened(20, 2), Verdict.HOLD),
        (None, Verdict.HOLD),
    ],
)
def test_more_defective_cartons_than_the_sample_allows_hold_the_lot(
    opened: Opened | None, expected: Verdict
) -> None:
    """CXS 233, 6 cartons: at most 1 defective."""
    assert verdict(seen(opened=opened)) is expected
    if expected is Verdict.HOLD:
        assert rules(seen(opened=opened)) == {"sample-plan"}


def test_live_fish_has_no_cartons_to_open() -> None:
    live = replace(seen(received_as=ReceivedAs.LIVE, cores=(), opened=None), sample=None, cartons=0)
    assert verdict(live) is Verdict.ACCEPT


def test_a_decision_goes_against_every_reason_that_is_stricter_than_it() -> None:
    found = proposal(seen(ALL_WELL | {"box_ice": Answer.REJECT, "size": Answer.QUESTION}), POLICY)
    assert len(found.against(Verdict.ACCEPT)) == 2
    assert [f.numbers["item"] for f in found.against(Verdict.HOLD)] == ["box_ice"]
    assert found.against(Verdict.REJECT) == ()


ANSWERS = st.dictionaries(st.sampled_from(sorted(items())), st.sampled_from(list(Answer)))


@st.composite
def anything_seen(draw: st.DrawFn) -> Seen:
    temperatures = st.floats(-30, 5).map(lambda c: f"{c:.2f} °C")
    opened = draw(st.none() | st.integers(1, 64))
    return seen(
        draw(ANSWERS),
        cores=tuple(draw(st.lists(temperatures, max_size=5))),
        opened=None if opened is None else Opened(opened, draw(st.integers(0, opened))),
        purpose=draw(st.sampled_from(list(Purpose))),
        received_as=draw(st.sampled_from(list(ReceivedAs))),
        arrived=draw(
            st.builds(Arrived, st.integers(0, 3), st.sampled_from([None, "pass", "warn", "block"]))
        ),
    )


@given(anything_seen(), st.sampled_from(sorted(items())), st.sampled_from(list(Answer)))
def test_a_stricter_answer_never_makes_the_outcome_milder(
    found: Seen, code: str, answer: Answer
) -> None:
    order = list(Answer)
    before = found.answers.get(code)
    if before is not None and order.index(answer) < order.index(before):
        before, answer = answer, before
        found = replace(found, answers={**found.answers, code: before})
    with_it = replace(found, answers={**found.answers, code: answer})
    if before is None and answer is Answer.ACCEPT:
        return  # silence was a question where it was asked
    assert VERDICTS.index(verdict(with_it)) >= VERDICTS.index(verdict(found))


@given(anything_seen(), st.integers(0, 5))
def test_a_further_defective_carton_never_makes_the_outcome_milder(found: Seen, more: int) -> None:
    opened = found.opened or Opened(6, 0)
    here = replace(found, opened=opened)
    worse = replace(found, opened=Opened(opened.cartons, opened.defective + more))
    assert VERDICTS.index(verdict(worse)) >= VERDICTS.index(verdict(here))


@given(anything_seen(), st.integers(0, 4), st.floats(0.01, 20))
def test_a_warmer_core_never_makes_the_outcome_milder(found: Seen, place: int, by: float) -> None:
    if place >= len(found.cores):
        return
    cores = list(found.cores)
    cores[place] = parse_temperature(f"{cores[place].c + by:.2f} °C")
    assert VERDICTS.index(verdict(replace(found, cores=cores))) >= VERDICTS.index(verdict(found))


@given(anything_seen())
def test_every_outcome_but_acceptance_has_its_reason(found: Seen) -> None:
    made = proposal(found, POLICY)
    assert (made.verdict is Verdict.ACCEPT) == (made.reasons == ())
    assert made.against(made.verdict) == ()
