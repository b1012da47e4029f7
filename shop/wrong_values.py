"""What is wrong with a value, in the user's words where the framework has words of its own."""

from django.core.exceptions import ValidationError

# By the framework's code of what is wrong; its params are filled in.
WORDS = {
    "min_value": "must be %(limit_value)s or more",
    "max_value": "must be %(limit_value)s or less",
    "min_length": "has %(show_value)s characters; %(limit_value)s is the least",
    "max_length": "has %(show_value)s characters; %(limit_value)s is the most",
    "null_characters_not_allowed": "holds a character that is none; leave it out",
    "blank": "may not be empty",
    "null": "is needed",
    "max_digits": "has more than %(max)s digits",
    "max_decimal_places": "has more than %(max)s decimals",
    "max_whole_digits": "has more than %(max)s digits before the point",
}


def wrong_value(error: ValidationError) -> str:
    """What is wrong, to go after the name of the field, without a full stop."""
    words = WORDS.get(error.code or "")
    if words is not None:
        return words % {name: _shown(value) for name, value in (error.params or {}).items()}
    return " ".join(error.messages).rstrip(".")


def _shown(value: object) -> object:
    return f"{value:,}" if type(value) is int else value


def sentence(words: str) -> str:
    """The words with a capital and one full stop, to stand by themselves."""
    words = words[:1].upper() + words[1:]
    return words if words.endswith((".", "!", "?")) else f"{words}."
