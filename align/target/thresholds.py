"""What decides about the sheets: how far apart markers are, how large, and what a printer's paper has room for.

Each says why, and whether it was set before any data were seen or after which.
"""

from __future__ import annotations

#: Bits by which every marker differs from every other and from every mirrored one, its own included, in any
#: rotation: of 4 x 4 bits, a greedy search finds as many markers as the sheets need at 3 bits, only 86 at 4
#: (target/sheets.py).
MIRROR_DISTANCE_BITS = 3
#: Side of a marker divided by the side of its square. Set after measuring detection at six ratios on rendered
#: photos: docs/target.md.
MARKER_RATIO = 0.75
#: Wrong bits that are corrected when a marker is read (OpenCV: at `errorCorrectionRate` 1; its default rate of 0.6
#: rounds this down to none). A
#: mirrored marker then needs two misread bits more to pass for another marker. That is rare, not impossible
#: (docs/target.md: 1 in 2800), so a lone marker proves nothing; several in place do.
CORRECTABLE_BITS = (MIRROR_DISTANCE_BITS - 1) // 2
#: Desktop printers cannot print closer to the paper's edge than this [mm]; common practice, no source.
UNPRINTABLE_MM = 5.0
#: Room above a small sheet for the contact edge's caption [mm], and a sheet narrower than this has no room for its
#: name beside the words on it; the layout's own.
CAPTION_ROOM_MM, NARROW_MM = 14.0, 100.0
