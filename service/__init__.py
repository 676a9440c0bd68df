"""Fishhouse: the service that a fish kitchen runs on."""

import gc

# Loading makes some hundred thousand objects that all stay. Looked through after every 700, as
# Python does unless told otherwise, they cost a tenth of the start and of each answer.
gc.set_threshold(20_000, 20, 20)
