"""One story for all tests that only look at it."""

from __future__ import annotations

import pytest

from sequencer.demo.lido import load_lido
from sequencer.demo.story import Step
from sequencer.demo.tell import tell


@pytest.fixture(scope="session")
def story() -> tuple[Step, ...]:
    return tuple(tell(*load_lido(), seed=1))
