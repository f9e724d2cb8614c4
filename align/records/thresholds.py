"""What decides in records: each value with its reason or source, and whether it was set after seeing data."""

from __future__ import annotations

#: The largest file a record reads [bytes]: a drawn picture of 100 megapixels as PNG; common practice, no source.
#: Set without data.
MOST_FILE_BYTES = 500_000_000
