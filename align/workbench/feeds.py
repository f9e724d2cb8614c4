"""What feeds a session besides its pages: a live camera, a watched folder."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from .session import Session

if TYPE_CHECKING:
    from ..photo.camera_feed import Source
    from .live import Live
    from .live_shown import LiveShown
    from .watch import Watch


@dataclass
class Feeds:
    """The feeds that run; None: there is none of that kind."""

    live: Live | None = None
    watch: Watch | None = None

    def stop(self) -> None:
        """End them all."""
        for feed in (self.live, self.watch):
            if feed is not None:
                feed.stop()


@dataclass(frozen=True)
class Wanted:
    """What was asked for: a camera, opened already; a folder, and how often to look through it [s]."""

    source: Source | None = None
    watch: Path | None = None
    every_s: float = 1.0

    def begin(self, session: Session, answered: Callable[[LiveShown], None]) -> Feeds:
        """Begin everything that was asked for.

        Raises
        ------
        AlignError : there is no such folder.
        """
        feeds = Feeds()
        if self.watch is not None:
            from .watch import Watch

            feeds.watch = Watch(session, self.watch, self.every_s)
        if self.source is not None:
            from .live import Live

            feeds.live = Live(session, self.source, answered)
        return feeds
