from .answer import KeptAnswer
from .key import ApiKey
from .trail import TrailEntry

__all__ = ["ApiKey", "KeptAnswer", "TrailEntry"]
