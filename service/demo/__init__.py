"""An invented place with a year of history."""
