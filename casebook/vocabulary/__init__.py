"""The words of the trade: units, symptoms, checks, actions, codes, VIN. Pure; no Django.

People of the trade read and correct the files under `data/`; `load_vocabulary` checks them and
hands them out as frozen values.
"""

from casebook.vocabulary.loading import VocabularyError, load_vocabulary, read_vocabulary
from casebook.vocabulary.terms import (
    Action,
    Caution,
    Check,
    Condition,
    Precondition,
    Rename,
    Result,
    Symptom,
    Unit,
)
from casebook.vocabulary.vocabulary import Vocabulary

__all__ = [
    "Action",
    "Caution",
    "Check",
    "Condition",
    "Precondition",
    "Rename",
    "Result",
    "Symptom",
    "Unit",
    "Vocabulary",
    "VocabularyError",
    "load_vocabulary",
    "read_vocabulary",
]
