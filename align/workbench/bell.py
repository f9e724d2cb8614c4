"""A bell: wakes every page that listens, when something has changed."""

from __future__ import annotations

import asyncio


class Bell:
    """Wakes every page that listens when something has changed; rung from any thread."""

    def __init__(self) -> None:
        self._loop: asyncio.AbstractEventLoop | None = None
        self._event = asyncio.Event()

    def ring(self) -> None:
        """Something has changed."""
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._wake)

    def _wake(self) -> None:
        self._event.set()
        self._event = asyncio.Event()

    async def heard(self, timeout_s: float) -> bool:
        """Wait for the next change; False where none came."""
        self._loop = asyncio.get_running_loop()
        try:
            await asyncio.wait_for(self._event.wait(), timeout_s)
        except asyncio.TimeoutError:
            return False
        return True
