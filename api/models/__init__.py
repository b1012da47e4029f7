from .answer import KeptAnswer
from .key import ApiKey

__all__ = ["ApiKey", "KeptAnswer"]
