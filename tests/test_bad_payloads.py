"""Every payload of `tests/cases/bad_payloads.yaml` goes to quarantine with its exact sentence; nothing else is lost."""

from pathlib import Path
from typing import Any

import pytest
import yaml

from ingest.admit import admit
from ingest.decode import Message
from tests.gateways import TOPIC, small_directory

CASES = yaml.safe_load((Path(__file__).parent / "cases" / "bad_payloads.yaml").read_text())
NOON_MS = 1_780_315_200_000  # 2026-06-01T12:00:00Z


def _payload(case: dict[str, Any]) -> bytes:
    if "repeat" in case:
        text, times = case["repeat"]
        return str(text).encode() * int(times)
    return bytes.fromhex(case["hex"]) if "hex" in case else case["payload"].encode()


@pytest.mark.parametrize("case", CASES, ids=[case["name"] for case in CASES])
def test_each_fault_has_its_sentence(case: dict[str, Any]) -> None:
    message = Message(case.get("topic", TOPIC), _payload(case), NOON_MS)
    admitted = admit([message], small_directory(), now_ms=NOON_MS)
    (rejection,) = admitted.rejections
    assert rejection.reason == case["reason"]
    assert rejection.message.payload == message.payload
    assert rejection.n_readings == case.get("n", 1)
    assert len(admitted.batch) == case.get("good", 0)
    assert admitted.n_received == rejection.n_readings + len(admitted.batch)


def test_there_are_twenty_cases_at_least() -> None:
    assert len({case["name"] for case in CASES}) == len(CASES) >= 20
