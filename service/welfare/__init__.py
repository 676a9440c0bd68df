"""Watching animals: appetite, intake, body mass, shares; and fish needed against fish used."""
