"""Reading the environment, and remembering which variables were asked for."""

from typing import Any

import environ


class Environment(environ.Env):
    """django-environ's, which also knows every name it was asked for: any other COLDGAP_ name that is set
    is a slip of the pen, and a check says so."""

    def __init__(self) -> None:
        super().__init__()
        self.asked_for: set[str] = set()

    def get_value(self, var: str, *args: Any, **kwargs: Any) -> Any:
        self.asked_for.add(var)
        return super().get_value(var, *args, **kwargs)
