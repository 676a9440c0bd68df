"""Tests that need a broker which hands over again are left out where none is installed."""

import pytest

from tests.mqtt.brokers import MOSQUITTO


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """The suite says how many were left out."""
    strict = [item for item in items if "strict" in getattr(item, "fixturenames", ())]
    if MOSQUITTO is None and strict:
        config.hook.pytest_deselected(items=strict)
        items[:] = [item for item in items if item not in strict]
