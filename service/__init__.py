"""Fishhouse: the service that a fish kitchen runs on."""

import gc
import warnings

from pydantic import BaseModel
from pydantic.warnings import UnsupportedFieldAttributeWarning

# Loading makes some hundred thousand objects that all stay. Looked through after every 700, as
# Python does unless told otherwise, they cost a tenth of the start and of each answer.
gc.set_threshold(20_000, 20, 20)

# What is sent and shown is told apart field by field when it is first sent or shown, not when it
# is loaded: 13 MB and a tenth of the start. Pydantic does it under a lock of its own.
BaseModel.model_config["defer_build"] = True
# FastAPI silences this one where it names a body's parameter, which is too early now.
warnings.filterwarnings("ignore", category=UnsupportedFieldAttributeWarning)
