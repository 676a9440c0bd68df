"""What is told, and how urgent it is."""

from enum import StrEnum


class Urgency(StrEnum):
    """How soon somebody has to know."""

    NOW = "now"  # also at night, and again until somebody acknowledges it
    TODAY = "today"  # in working hours
    RECORD = "record"  # kept, not sent to people


class Subject(StrEnum):
    """What a message is about."""

    EXCURSION = "excursion"
    ASSESSMENT = "assessment"
    PROBE = "probe"
    BACKUP = "backup"
    WORKER = "worker"
