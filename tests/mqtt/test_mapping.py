"""The mapping file, and readings out of messages by it."""

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.mqtt.rules.mapping import Entry, parse_mapping
from service.mqtt.rules.payloads import LONGEST_PAYLOAD, Readout, read_out

NOW = datetime(2026, 11, 27, 12, tzinfo=UTC)
PLAIN = {"topic": "kitchen/{probe}/temperature"}
JSON = {"topic": "kitchen/{probe}", "temperature": "t", "time": "at"}

TOML = """
[[entries]]
topic = "kitchen/{probe}/temperature"
unit = "f"

[[entries]]
topic = "gateway/{id}/up"
temperature = "values.temp"
samples = "data"
time = "ts"
time_format = "epoch-ms"
probe_field = "device"
probes = { "a1b2" = "FZ1-AIR" }
"""


def read(given: dict[str, Any], payload: Any, topic: str = "", retained: bool = False) -> Readout:
    """One message by a mapping of one entry."""
    entry = Entry.model_validate(given)
    levels = entry.filter.match(topic or entry.topic.replace("{probe}", "F1"))
    assert levels is not None
    raw = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    return read_out(entry, levels, raw, arrived_at=None if retained else NOW)


def only(out: Readout) -> tuple[str, datetime, float]:
    assert out.problems == []
    (sample,) = out.samples
    return sample.probe, sample.at, round(sample.temperature_c, 4)


def test_a_file_in_toml_or_json_says_the_same() -> None:
    mapping = parse_mapping(TOML, toml=True)
    again = parse_mapping(mapping.model_dump_json(exclude_unset=True), toml=False)
    assert mapping == again
    assert mapping.subscriptions() == [("kitchen/+/temperature", 0), ("gateway/+/up", 1)]


WRONG = [
    ("", "entries: Field required"),
    ("entries = []", "entries: "),
    ("entries = 7", "entries: "),
    ("what = 1\n[[entries]]\ntopic='{probe}'", "what: Extra inputs are not permitted"),
    ("[[entries]]", "entry 1: topic: Field required"),
    ("[[entries]]\ntopic='{probe}'\ncolour=1", "entry 1 ({probe}): colour: Extra inputs"),
    ("[[entries]]\ntopic='{probe}'\n[[entries]]\ntopic='a+/{probe}'", "entry 2 (a+/{probe}): 'a+'"),
    ("[[entries]]\ntopic='{probe}'\nunit='r'", "entry 1 ({probe}): unit: Input should be 'c', 'f'"),
    ("[[entries]]\ntopic='{probe}'\ntime='at'", "time: needs `temperature`"),
    (
        "[[entries]]\ntopic='{probe}'\ntemperature='t'\ntime_format='iso'",
        "time_format: needs `time`",
    ),
    ("[[entries]]\ntopic='a/b'", "probe: the topic has no level named {probe}"),
    ("[[entries]]\ntopic='{room}'\nprobe='{place}-AIR'", "no level named {place}"),
    ("[[entries]]\ntopic='{probe}'\ntemperature='a..b'", "temperature: "),
    ("[[entries]]\ntopic=7", "entry 1: topic: Input should be a valid string"),
    ("[[entries]]\ntopic='{probe}'\nprobe='{probe}'\nprobe_field='x'\ntemperature='t'", "not both"),
    ("[[entries", "this is not TOML"),
]


@pytest.mark.parametrize(("text", "said"), WRONG)
def test_what_cannot_be_meant_is_refused_by_entry_and_field(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=r".+") as refused:
        parse_mapping(text, toml=True)
    assert said in str(refused.value)


def test_a_plain_number_is_a_reading_of_the_instant_of_arrival() -> None:
    assert only(read(PLAIN, b"-20.5")) == ("F1", NOW, -20.5)
    assert only(read(PLAIN, b" -2.05e1\n")) == ("F1", NOW, -20.5)


@pytest.mark.parametrize(
    ("unit", "said", "celsius"),
    [
        ("f", 0, -17.7778),  # by definition: (F - 32) * 5/9
        ("f", -40, -40.0),
        ("k", 273.15, 0.0),  # by definition of the Celsius scale, SI Brochure 9th ed., 2.3.1
        ("k", 253.15, -20.0),
        ("c", -18, -18.0),
    ],
)
def test_fahrenheit_and_kelvin_become_celsius(unit: str, said: float, celsius: float) -> None:
    assert only(read(PLAIN | {"unit": unit}, said))[2] == celsius


def test_json_is_read_by_path_with_its_own_instant() -> None:
    entry = JSON | {"temperature": "values.0.temp", "time": "meta.at"}
    payload = {"values": [{"temp": -19.25}], "meta": {"at": "2026-11-27T10:00:00+02:00"}}
    assert only(read(entry, payload)) == ("F1", datetime(2026, 11, 27, 8, tzinfo=UTC), -19.25)


# 1 700 000 000 s after 1970 is 2023-11-14T22:13:20Z: `date -u -d @1700000000`.
INSTANT = datetime(2023, 11, 14, 22, 13, 20, tzinfo=UTC)


@pytest.mark.parametrize(
    ("form", "said"),
    [
        ("iso", "2023-11-14T22:13:20Z"),
        ("iso", "2023-11-15T03:43:20+05:30"),
        ("iso-utc", "2023-11-14 22:13:20"),
        ("iso-utc", "2023-11-14T23:13:20+01:00"),
        ("epoch-s", 1_700_000_000),
        ("epoch-s", "1700000000"),
        ("epoch-ms", 1_700_000_000_000),
    ],
)
def test_instants_are_read_in_the_forms_that_devices_send(form: str, said: Any) -> None:
    assert only(read(JSON | {"time_format": form}, {"t": 1, "at": said}))[1] == INSTANT


def test_a_list_of_samples_shares_what_stands_around_it() -> None:
    entry = JSON | {"samples": "rows", "probe_field": "id", "probes": {"7": "FZ1-AIR"}}
    payload = {
        "id": 7,
        "rows": [
            {"t": -20, "at": "2026-11-27T10:00:00Z"},
            {"t": -21, "at": "2026-11-27T10:01:00Z", "id": "F2"},
            {"t": None, "at": "2026-11-27T10:02:00Z"},
            {"t": -22},
        ],
    }
    out = read(entry, payload)
    assert [(s.probe, s.temperature_c) for s in out.samples] == [("FZ1-AIR", -20), ("F2", -21)]
    assert len(out.problems) == 2, "the others of a message do not suffer"


def test_a_probe_can_be_named_by_several_levels_of_the_topic() -> None:
    entry = {"topic": "{room}/{sensor}/t", "probe": "{room}-{sensor}", "probes": {"n-1": "FZ1-AIR"}}
    assert only(read(entry, b"-20", "north/air/t"))[0] == "north-air"
    assert only(read(entry, b"-20", "n/1/t"))[0] == "FZ1-AIR"


def test_a_message_of_unknown_age_is_no_reading_of_now() -> None:
    """The broker hands a retained message to whoever subscribes, hours later."""
    assert read(PLAIN, b"-20", retained=True).samples == []
    kept = read(JSON, {"t": -20, "at": "2026-11-27T10:00:00Z"}, retained=True)
    assert len(kept.samples) == 1, "this one says when it was measured"
    assert Entry.model_validate(PLAIN).quality == 0, "nor may it wait in a queue"
    assert Entry.model_validate(JSON).quality == 1


GARBAGE: list[Any] = [
    b"",
    b"\xff\xfe",
    b"nan",
    b"-inf",
    b"1_0",
    "٣".encode(),
    b"[" * 100_000,
    b"9" * 5000,
    b"-" + b"9" * (LONGEST_PAYLOAD + 1),
    b'{"t":NaN,"at":"2026-11-27T10:00:00Z"}',
    {"t": True, "at": "2026-11-27T10:00:00Z"},
    {"t": -20, "at": "2026-11-27T10:00:00"},
    {"t": -20, "at": 5},
    {"t": -20, "at": "yesterday"},
    {"t": -20, "at": "0001-01-01T00:00:00+14:00"},
    {"at": "2026-11-27T10:00:00Z"},
    {"t": [], "at": None},
    [],
    None,
    7,
    "\ud800",
]


@pytest.mark.parametrize("payload", GARBAGE)
def test_garbage_is_no_reading_and_says_why(payload: Any) -> None:
    out = read(JSON, payload)
    assert out.samples == []
    assert out.problems and all(0 < len(problem) <= 300 for problem in out.problems)


def test_a_number_too_large_for_any_thermometer_or_calendar_is_no_error() -> None:
    for form in ("epoch-s", "epoch-ms"):
        for said in (1e300, -1e300, 10**400):
            assert read(JSON | {"time_format": form}, {"t": 1, "at": said}).samples == []
    assert read(JSON, {"t": 10**400, "at": "2026-11-27T10:00:00Z"}).samples == []


ANY_JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.sampled_from(["t", "at", "id", "x"]), inner),
    max_leaves=12,
)


@given(payload=st.one_of(st.binary(), ANY_JSON.map(lambda v: json.dumps(v).encode())))
def test_no_message_however_made_raises(payload: bytes) -> None:
    for entry in (
        PLAIN,
        JSON,
        JSON | {"samples": "", "probe_field": "id", "time_format": "epoch-ms"},
        JSON | {"samples": "x", "time_format": "epoch-s"},
    ):
        out = read(entry, payload)
        for sample in out.samples:
            assert sample.at.tzinfo is not None
            assert abs(sample.temperature_c) < float("inf")
            sample.probe.encode()
