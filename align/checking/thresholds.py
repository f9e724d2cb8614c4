"""What decides about an answer: every number by which it is advised on, warned of, graded or packed.

Each says why, and whether it was set before any data were seen or after which.
"""

from __future__ import annotations

# Packing ----------------------------------------------------------------------------------------------------------

#: A mirror that leans, or is turned from what is wanted, by more than this is not packed but hung anew [deg]; a
#: choice.
MAX_PACKED_DEG = 20.0
#: Nobody hangs a mirror this far askew by mistake: where no turn was named, it is asked whether it is meant [deg].
#: A choice; the sample scenes that are off by mistake have up to 2.
ASK_TURN_DEG = 5.0
#: Packing that misses by less is not felt, and no measurement of ours is finer in the hand: no stack is nearer than
#: the answer's own interval, within these [mm]; common practice, no source.
LEAST_SLACK_MM, MOST_SLACK_MM = 0.05, 0.1
#: Four stacks lie in one plane when they miss it by no more than this: a hair's third, which glass does not feel
#: [mm]; a choice.
PLANAR_MM = 0.02
#: Stacks may have so many more sheets, all corners together, than the fewest corner by corner, to lie in one plane.
MORE_SHEETS = 1

# The sheet --------------------------------------------------------------------------------------------------------

#: A mirror turned farther than this runs along the sheet's depth: a distance along it says nothing [deg]; a choice.
ALONG_SHEET_DEG = 60.0
#: A sheet turned farther than this to the mirror lies the wrong way round [deg]; a choice.
WRONG_WAY_DEG = 135.0
#: A lifted edge or corner of the sheet that is worth a word [mm]; a choice, set before seeing data.
CURL_WORTH_MM = 0.2
#: A bow of the sheet that is worth a word [mm], and by how many standard deviations it must be told; choices.
BOW_WORTH_MM, BOW_SIGMAS = 0.7, 4.0
#: Less than this share of the reflection's corners is worth a word; a choice.
FEW_CORNERS_SHARE = 0.5

# Is it flat ------------------------------------------------------------------------------------------------------

#: Cells along the longer side of a map of the mirror's face: its shape has terms up to the fourth power. A choice.
MAP_CELLS = 40
#: Of a mirror's face this share is asked for before its map counts as whole; a choice.
MAP_WHOLE_SHARE = 0.8

# The photo --------------------------------------------------------------------------------------------------------

#: Cameras below and above this see the sheet, or the mirror's lean, badly [deg]: by the covariance of simulated
#: views.
LOW_CAMERA_DEG, STEEP_CAMERA_DEG = 18.0, 65.0
#: A reflection's squares smaller than this, and blur wider than this, are worth a word [px]: rendered photos lose
#: corners there.
SMALL_SQUARE_PX, BLURRED_PX = 12.0, 1.8
#: A sheet narrower than this share of the photo could be nearer; a choice.
SMALL_SHEET_SHARE = 0.25
#: The widest half-width as a share of the tolerance, up to which photos are good, and fair; choices.
GOOD_SHARE, FAIR_SHARE = 0.25, 0.5
#: Faults that would narrow the intervals by less than this are not worth a word; in a good photo, than that;
#: choices.
WORTH_FACTOR, WORTH_FACTOR_WHEN_GOOD = 1.25, 1.5
#: What photos as the guide asks for show: blur [px], linear light of the paper, contrast of ink on it (rendered
#: photos).
SHARP_PX, BRIGHT_PAPER, FULL_CONTRAST = 0.8, 0.7, 0.88
#: A sheet lacks corners to glare where so much of it is burnt out (rendered photos, docs/conditions.md).
GLARE_SHARE = 0.005
