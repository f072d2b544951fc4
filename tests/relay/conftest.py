"""Mock pins, fresh for every test."""

from tests.mock_pins import mock_pins

__all__ = ["mock_pins"]
