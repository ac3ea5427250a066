"""The bench book: jobs hold units, units hold stages, stages hold marks; and a running log. `schema` says what is where.

`BookKeeper` writes on a thread of its own, `BookWriter` at once; `BookReader` reads. `Marking` keeps the present reading in
the stage that `PresentStage` says.
"""

from .finding import MarkFilter
from .keeper import BookKeeper
from .marking import Marking
from .place import BookPlace, default_place, place_of
from .present import PresentStage
from .reader import BookReader
from .writer import BookWriter

__all__ = [
    "BookKeeper",
    "BookPlace",
    "BookReader",
    "BookWriter",
    "MarkFilter",
    "Marking",
    "PresentStage",
    "default_place",
    "place_of",
]
