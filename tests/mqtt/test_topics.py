"""Topic filters: as the standard says, and as a general-purpose client matches them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from service.mqtt.rules.topics import TopicFilter

# OASIS MQTT 3.1.1 and 5.0, section 4.7.1: the examples of the standard, matching or not.
OF_THE_STANDARD = [
    ("sport/tennis/player1/#", "sport/tennis/player1", True),
    ("sport/tennis/player1/#", "sport/tennis/player1/ranking", True),
    ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
    ("sport/#", "sport", True),
    ("#", "a/b/c", True),
    ("sport/tennis/+", "sport/tennis/player1", True),
    ("sport/tennis/+", "sport/tennis/player1/ranking", False),
    ("sport/+", "sport", False),
    ("sport/+", "sport/", True),
    ("+/+", "/finance", True),
    ("/+", "/finance", True),
    ("+", "/finance", False),
    ("#", "$SYS/uptime", False),
    ("+/monitor/Clients", "$SYS/monitor/Clients", False),
    ("$SYS/#", "$SYS/uptime", True),
    ("$SYS/monitor/+", "$SYS/monitor/Clients", True),
    ("ACCOUNTS", "Accounts", False),
]


@pytest.mark.parametrize(("said", "topic", "matches"), OF_THE_STANDARD)
def test_filters_match_as_the_standard_says(said: str, topic: str, matches: bool) -> None:
    assert (TopicFilter.parse(said).match(topic) is not None) is matches


LEVEL = st.sampled_from(["", "a", "b", "kitchen", "F1", "$x", "ä"])
TOPIC = st.lists(LEVEL, min_size=1, max_size=4).map("/".join).filter(bool)
FILTER = st.builds(
    lambda levels, rest: "/".join([*levels, *rest]),
    st.lists(st.one_of(LEVEL, st.just("+")), min_size=1, max_size=4),
    st.sampled_from([[], ["#"]]),
).filter(bool)


@given(said=FILTER, topic=TOPIC)
def test_filters_match_as_a_general_purpose_client_matches_them(said: str, topic: str) -> None:
    """The package paho-mqtt. Only for the broker's own topics is the standard stricter than it."""
    if topic.startswith("$"):
        return
    assert (TopicFilter.parse(said).match(topic) is not None) == topic_matches_sub(said, topic)


def test_named_levels_are_kept_and_asked_for_as_wildcards() -> None:
    found = TopicFilter.parse("{house}/kitchen/{probe}/temperature")
    assert found.subscription == "+/kitchen/+/temperature"
    assert found.match("north/kitchen/F1/temperature") == {"house": "north", "probe": "F1"}
    assert found.match("north/kitchen/F1/humidity") is None
    assert found.match("north/kitchen/F1") is None


@pytest.mark.parametrize(
    "said",
    ["", "a\0b", "a+/b", "a/#/b", "a#", "{a}b", "{A}", "{}", "{a}/{a}", "a/{b", "x" * 66_000],
)
def test_what_is_no_filter_is_refused(said: str) -> None:
    with pytest.raises(ValueError, match=r".{10}"):
        TopicFilter.parse(said)
