"""The rates that hours carry, the steps of a chart, and the months that readings lie in."""

from service.temperatures.rules.rates import (
    KINETICS_VERSION,
    life_column,
    rate_tables,
    vitamin_column,
)

__all__ = ["KINETICS_VERSION", "life_column", "rate_tables", "vitamin_column"]
