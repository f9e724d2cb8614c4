"""What decides in a picture and in numbers: how small text may be, how finely a value is told, where labels go.

Each says why, and whether it was set before any data were seen or after which.
"""

from __future__ import annotations

# Text and numbers -------------------------------------------------------------------------------------------------

#: The smallest text as a share of a picture's width: 2.5 mm high on a phone's screen 70 mm wide. A choice.
SMALLEST_TEXT_SHARE = 1 / 28
#: No angle is shown finer than this many decimals, no length either: finer is noise to a builder. A choice.
ANGLE_DECIMALS, LENGTH_DECIMALS = 3, 2
#: Intervals whose two sides differ by more than this share are given by their ends. A choice.
LOPSIDED_SHARE = 0.25
#: Points farther out than this share of the picture are not worth a line to them, and overflow OpenCV's numbers.
FAR_OUT = 8.0

# Where labels go --------------------------------------------------------------------------------------------------
# All set by looking at the pictures of the samples and of tests/checking/test_picture.py.

#: Distances are told in this share of the picture's width, about the height of a label of one line.
UNIT_SHARE = 0.045
#: Covering one cell of a line costs as much as being this many units farther away.
COST_OF_COVERING = 0.2
#: A pointer from label to anchor is looked at in eight places; each on a line costs this much.
COST_OF_CROSSING = 0.4
#: Covering one cell of a thing that labels are to keep off, or crossing it in one of these places, costs this much.
COST_OF_HIDING = 3.0
#: Free space kept between two labels, in label heights.
APART = 0.15
#: A label farther than this from what it names has a line to it, in heights of its text.
NEAR = 0.6
