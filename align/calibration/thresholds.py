"""What decides about a camera's measurement: which photos count, which lens model, and what is said of it.

Each says why, and whether it was set before any data were seen or after which.
"""

from __future__ import annotations

# The fit ----------------------------------------------------------------------------------------------------------

#: What lens polynomial, paper and JPEG leave beside each corner's own noise, one sd [px]. Set after seeing the
#: photos of tests/calibration/test_job.py: residuals of 0.12 to 0.20 px come with corner noise of 0.016 to 0.038
#: px.
MODEL_ERROR_PX = 0.05
#: Priors that any camera lies within, one sd: the centre as a share of the long side, and the terms; choices.
CENTRE_SHARE, RADIAL_SD, TANGENTIAL_SD = 0.05, 0.3, 0.003
#: Where taking the distortion away and putting it back misses by this [px], it has folded over; a choice, far above
#: rounding and far below what is seen.
FOLD_PX = 0.01

# Which photos count -----------------------------------------------------------------------------------------------

#: A photo that fits so many times worse than the median one, or loses so many of its corners, is left out; choices.
ODD_PHOTO_RATIO, ODD_PHOTO_REJECTED_SHARE = 3.0, 0.3
#: Photos are left out only while so many remain: fewer say nothing of which of them is odd; a choice.
MIN_PHOTOS_TO_JUDGE = 4
#: A focal length known no better than this (half the 95 % interval, as a share) is not worth a file: one photo of
#: the sheet and its reflection tells it to some 1 % by itself (docs/theory.md).
MAX_FOCAL_UNCERTAINTY = 0.015

# What is said of it -----------------------------------------------------------------------------------------------

#: A photo whose corners fit so many times worse than the typical one's is pointed out; a choice.
POOR_FIT_RATIO = 1.8
#: A difference below 6 is no strong evidence: A. Raftery, Bayesian model selection in social research, Sociological
#: Methodology 25 (1995), table 6.
CLOSE_CALL_BIC = 6.0
#: Directions uncertain by more than this share of the frame count as unknown; a choice.
UNKNOWN_SHARE = 0.1
#: The frame is covered in cells of 1/8 of the long side and 1/6 of the short one: about the sheet's width when it
#: fills a third of the frame, and as many both ways; a choice.
CELLS = (8, 6)
#: One of the frame's nine parts is a gap when fewer of its cells than this share hold a corner; less of the whole
#: frame's cells than this is said to be little; choices.
GAP_SHARE, LOW_COVERAGE = 0.5, 0.5

# The photo that would help most -----------------------------------------------------------------------------------

#: How far a sheet is tilted in the photos that are thought through [deg], and how much of the frame's width or
#: height, whichever is filled first, it would fill flat on; choices.
TILT_DEG, FILLS = 40.0, (0.33, 0.5, 0.75)
#: The sheet keeps this share of the frame from its edges, flat on, and every corner that counts this one; choices.
MARGIN_SHARE, EDGE_SHARE = 0.04, 0.01
#: Directions uncertain by more than this share of the frame are equally useless, far out where a polynomial runs
#: away; a choice.
USELESS_SHARE = 0.01
#: A candidate must show this share of the sheet's corners, and a board without markers all its squares; a choice.
SHOWN_SHARE = 0.6
