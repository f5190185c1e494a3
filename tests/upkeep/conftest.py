"""The berth of the nights' tests: four days, all posted."""

from tests.night.conftest import four_days, four_days_made

__all__ = ["four_days", "four_days_made"]
