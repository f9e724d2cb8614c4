"""What decides in records: each value with its reason or source, and whether it was set after seeing data."""

from __future__ import annotations

#: The largest file a record reads [bytes]: a drawn picture of 100 megapixels as PNG; common practice, no source.
#: Set without data.
MOST_FILE_BYTES = 500_000_000
#: Unfinished folders older than this belong to no running program any more [s]: a day; common practice, no source.
#: Set without data.
ABANDONED_S = 24 * 3600.0
#: No angle, length, pixel or size in an entry comes near it: larger is no measurement but damage. Set without data.
MOST_NUMBER = 1e12
#: Clocks of a camera and a computer in other time zones differ by up to this [hours]: UTC-12 to UTC+14 is 26.
#: A date further in the future is a wrong clock. Set without data.
CLOCKS_APART_H = 26.0
#: A photo dated before this year is by a camera whose clock was never set. Set without data.
EARLIEST_YEAR = 1995
#: An entry's "square" stands against its own numbers when they pass the tolerance by more than the rounding of
#: entry.json (a millionth) and of degrees to radians and back [deg]. Set without data.
CONTRADICTION_DEG = 1e-4
#: Float glass of 3 to 6 mm is within this of its nominal thickness [mm]: EN 572-2. Set without data.
GLASS_TOLERANCE_MM = 0.2
#: Beyond this change of the target's size or shape two photos do not show one view. Set by eye on
#: the sample photos.
MOST_STRETCH = 1.6
#: A part common to two photos smaller than this share of the later one is not worth showing. Set by eye.
LEAST_COMMON_SHARE = 0.35
#: Two photos laid over each other by a shift must agree at least so well in their grey values (correlation
#: coefficient). Set without data; photos of two views of one diorama stay below it, see the tests.
LEAST_LIKENESS = 0.7
#: A mirror whose turn is within this of what is wanted of one of a record's mirrors may be that one [deg]: a mirror
#: stands nearer to its place than this before it is packed, and two faces of one scene that meet in a corner differ
#: by more. Set without data.
SAME_TURN_DEG = 10.0
