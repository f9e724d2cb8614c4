"""What decides in this room: sizes that are read, shapes and lenses that are believed, damage, legibility.

Each with its reason or source. "Set after seeing data" says on which; the others were chosen beforehand.
"""

from __future__ import annotations

# Sizes -------------------------------------------------------------------------------------------------

#: Larger files are refused before they are read [MB]. A TIFF of 120 megapixels in three bytes each has 360.
MAX_FILE_MB = 400
#: Contents of the files that were read last are kept up to this many MB in all, for the picture and the record's
#: copy: a dozen phone photos. A choice; larger ones are read again and compared.
KEPT_MB = 32
#: JPEGs beyond the first, from sensors of 200 megapixels, are read at half size; nothing else can be, in bounded
#: memory (docs/hard_use.md, "Memory").
MAX_MEGAPIXELS, MAX_JPEG_MEGAPIXELS = 120, 220
#: A preview, not a photo: the smallest sheet would have squares of few pixels. A choice.
MIN_SIDE_PX = 200
#: More segments than this before a JPEG's pixels are no photo. Extended XMP and colour profiles come in pieces of
#: 64 kB, so that this is 65 MB of them. A choice; it bounds the time that a made-up header can take.
MAX_JPEG_SEGMENTS = 1000

# Shapes and lenses -------------------------------------------------------------------------------------

#: Shapes that phone and camera sensors have, long side : short side; common practice, no source.
SENSOR_SHAPES = (4 / 3, 3 / 2)
#: Screen shapes that phones cut from the middle of the sensor when asked to; common practice, no source.
SCREEN_SHAPES = (1.0, 16 / 9, 18 / 9, 18.5 / 9, 19 / 9, 19.5 / 9, 20 / 9)
#: Shapes of one sensor agree to this share: rounding to whole pixels, and to whole blocks of them.
SAME_SHAPE = 0.006
#: Focal lengths of one lens agree to this share; the 35 mm-equivalent one is a whole number of millimetres.
SAME_LENS_SHARE, EQUIVALENT_STEP_MM = 0.02, 1.0
#: Focal lengths that lenses have [mm], real and 35 mm-equivalent: from a phone's wide-angle or a fisheye lens to an
#: astronomer's. A file that names another (65535, say, which fills the tag) is not believed. A choice.
FOCAL_MM, EQUIVALENT_MM = (0.5, 3000.0), (5.0, 3000.0)
#: A camera file's focal length in long sides of its photos: from 147 degrees across to half a degree. A choice,
#: wider than any lens a pinhole with distortion describes.
FOCAL_SIDES = (0.15, 120.0)
#: A camera file's centre lies within this share of each side from the frame's middle; phones' lie within 2 %. A
#: choice: swapped sides of a 4:3 frame put it 17 % off.
CENTRE_OFF_SHARE = 0.12

# Damage that the decoder does not notice -----------------------------------------------------------------
# Set after seeing data: torn and whole sample photos. Measured anew on 2375 damaged JPEGs and 990 whole pictures:
# docs/hard_use.md, "Damage that no decoder notices".

#: Columns that are looked at to find rows that differ from the one above.
COLUMNS = 2000
#: A row is suspect where it differs so many times more than its neighbours do, and by so many grey values.
SUSPECT_RATIO, SUSPECT_GREY = 2.0, 2.0
NEIGHBOURS, SUSPECTS = 8, 6
#: It is torn where a shift makes the difference so many times smaller, on average and at the worst place, and no
#: larger than between neighbours: the edge of a checkerboard's row fits one shifted by a square but at its ends.
#: At the worst place 0.71 and 0.75 were seen in one whole drawn picture; 0.7 would pass it, and lose real tears.
TORN_SHARE, WORST_SHARE, PLACE_PX, USUAL_RATIO = 0.6, 0.75, 9, 1.4
#: A half of the picture's width, in so many parts, steps at a row of blocks where all but one of them step by this
#: many grey values and this many of the steps in which the file codes brightness, alike to so much ...
PARTS, STEP_GREY, STEP_QUANTA, ALIKE_GREY, ALIKE_SHARE = 8, 3.0, 1.5, 1.0, 0.25
#: ... and by no more than this share of it two rows above and below: no blurred or slanting edge of a thing.
STEP_BESIDE = 0.34
#: Rows that vary less than this [grey values] are a screenshot's bar.
PLAIN_GREY, BAR_ROWS = 0.5, 4

# Legibility --------------------------------------------------------------------------------------------

#: The brightest hundredth of a photo is darker than this grey value: too dark to tell ink from paper. A choice.
DARK_VALUE = 60
#: A grey value from here on is burnt out: phones keep a little below 255. Common practice, no source.
BURNT_VALUE = 250
#: More than this share of the pixels is burnt out. A choice.
BURNT_SHARE = 0.35
#: Edges are looked at in blocks of this side; those count that span this share of the photo's range. A choice.
BLOCK_PX, EDGE_SHARE = 24, 0.3
#: So many blocks with edges are needed to judge; this share of them counts as the sharpest. A choice.
MIN_BLOCKS, SHARPEST_SHARE = 12, 0.1
#: Edges wider than this look blurred [px, sd, in a photo of some 2000 px]. Set after seeing data: sharp renders
#: have 1.2 to 1.4, those in which no target can be read any more for blur, 2.0 to 3.2 (docs/conditions.md).
BLURRED_PX = 1.9
#: Within the squares' outline some two thirds are ink and a third is paper: these shares of the pixels, counted
#: from the darkest, lie well within each.
INK_SHARE, PAPER_SHARE = 0.15, 0.92
