"""Mock pins, fresh for every test of a folder whose conftest imports them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import gpiozero
import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture(autouse=True)
def mock_pins(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "mock")
    gpiozero.Device.pin_factory = None
    yield
    if gpiozero.Device.pin_factory is not None:
        gpiozero.Device.pin_factory.close()
    gpiozero.Device.pin_factory = None
