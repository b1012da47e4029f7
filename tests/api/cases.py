"""Where the cases of tests/api/writes.py and of its parts are entered, by operation."""

CASES = {}


def case(name):
    def register(function):
        CASES[name] = function
        return function

    return register
