"""How a refusal names what was wrong, in words and by pointer."""

import pytest

from jobs.services.refusals import pointer, refuse
from shop.errors import FieldError, Invalid


@pytest.mark.parametrize(
    ("where", "words"),
    [
        (pointer("readings", "2-IN-L", "passes"), "Nothing was taken: 2-IN-L: was wrong."),
        (pointer("readings"), "Nothing was taken: was wrong."),
        (pointer("shims", "0", "thickness"), "Nothing was taken: 0: was wrong."),
        (pointer("shims", "a/b~c"), "Nothing was taken: a/b~c: was wrong."),
        (pointer("items", 0, "name"), "Nothing was taken: items 1, name: was wrong."),
        (pointer("intake", "min"), "Nothing was taken: intake min: was wrong."),
        (pointer("spec_source"), "Nothing was taken: spec source: was wrong."),
    ],
)
def test_the_sentence_says_where_to_look(where, words):
    with pytest.raises(Invalid) as refusal:
        refuse([FieldError(where, "was wrong.")], "Nothing was taken")
    assert refusal.value.message == words


def test_a_pointer_is_escaped_as_rfc_6901_has_it():
    # RFC 6901, section 5: "/a~1b" points to the key "a/b", "/m~0n" to "m~n".
    assert pointer("a/b") == "/a~1b"
    assert pointer("m~n") == "/m~0n"


def test_nothing_wrong_is_no_refusal():
    refuse([], "Nothing was taken")
