"""A clock that tests set by hand."""

from __future__ import annotations

import datetime


class SetClock:
    """The clock of the store, set by hand."""

    def __init__(self) -> None:
        self.now = datetime.datetime(2031, 7, 1, 9, 0, tzinfo=datetime.UTC)

    def __call__(self, _connection: object) -> datetime.datetime:
        return self.now

    def forward(self, **span: float) -> None:
        self.now += datetime.timedelta(**span)
