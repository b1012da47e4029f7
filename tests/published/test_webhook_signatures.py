"""Signatures against Standard Webhooks 1.0.0: the vector of the reference libraries' own tests, and messages
that the reference library standardwebhooks 1.1.0 for Python signed, frozen on 2026-11-25 in
standard_webhooks.json.
"""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from shop.webhooks.signing import BadSecretError, key_of, new_secret, sign, signed_headers
from tests.shop.receiver import verify

FROZEN = json.loads(Path(__file__).with_name("standard_webhooks.json").read_text(encoding="utf-8"))
CASES = [pytest.param(case, id=case["id"]) for case in FROZEN["cases"]]


@pytest.mark.parametrize("case", CASES)
def test_signs_as_the_reference_library_does(case):
    signature = sign(
        case["secret"], message_id=case["id"], timestamp=case["timestamp"], body=case["body"].encode()
    )
    assert signature == case["signature"]


def test_the_published_vector():
    assert (FROZEN["cases"][0]["secret"], FROZEN["cases"][0]["signature"]) == (
        "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw",
        "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=",
    )


@pytest.mark.parametrize("case", CASES)
def test_the_tests_own_verifier_agrees_with_it_too(case):
    """What the other tests check received messages with takes what the reference signed and nothing else."""
    headers = {
        "webhook-id": case["id"],
        "webhook-timestamp": str(case["timestamp"]),
        "webhook-signature": f"v1,AAAA v2,{case['signature'][3:]} {case['signature']}",
    }
    body = case["body"].encode()
    assert verify(case["secret"], headers, body, now=case["timestamp"] + 299)
    assert not verify(case["secret"], headers, body + b" ", now=case["timestamp"])
    assert not verify(new_secret(), headers, body, now=case["timestamp"])
    assert not verify(case["secret"], headers, body, now=case["timestamp"] + 301)
    assert not verify(case["secret"], headers | {"webhook-id": "another"}, body, now=case["timestamp"])


def test_a_message_has_a_signature_under_every_secret_in_force():
    old, new = new_secret(), new_secret()
    at = datetime(2026, 3, 2, 8, 30, tzinfo=UTC)
    headers = signed_headers([new, old], message_id="m-1", at=at, body=b"{}")
    now = int(at.timestamp())
    assert headers["webhook-timestamp"] == str(now)
    assert len(headers["webhook-signature"].split(" ")) == 2
    assert verify(old, headers, b"{}", now=now)
    assert verify(new, headers, b"{}", now=now)


def test_secrets_are_whsec_and_32_random_bytes():
    made = {new_secret() for _ in range(50)}
    assert len(made) == 50
    assert {len(key_of(secret)) for secret in made} == {32}


@pytest.mark.parametrize(
    "secret",
    [
        "",
        "whsec_",
        "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw",
        "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLa==",  # 22 bytes
        "whsec_" + "QUFB" * 22,  # 66 bytes
        "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaS!",
        "whpk_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw",
    ],
)
def test_what_is_no_secret_signs_nothing(secret):
    with pytest.raises(BadSecretError):
        sign(secret, message_id="m", timestamp=1, body=b"")


@pytest.mark.parametrize("size", [24, 64])
def test_the_shortest_and_the_longest_secret_sign(size):
    case = next(case for case in FROZEN["cases"][1:] if len(key_of(case["secret"])) == size)
    assert sign(case["secret"], message_id="m", timestamp=1, body=b"").startswith("v1,")


def test_an_id_with_a_full_stop_would_blur_what_is_signed():
    with pytest.raises(ValueError, match="full stop"):
        sign(new_secret(), message_id="m.1", timestamp=1, body=b"")
