"""What decides about a set of photos: every number by which one is refused, warned of, or a statement believed.

Each says why, and whether it was set before any data were seen or after which. "Rendered": photos of known
truth made with a renderer (docs/accuracy.md, docs/photo_sets.md); "real": four phone photographs of a bent plain
board before two mirrors.
"""

from __future__ import annotations

# One scene --------------------------------------------------------------------------------------------------------

#: Reflections in two photos may be of one mirror when it stands alike to within this; set before any data.
SAME_MIRROR_DEG, SAME_MIRROR_MM = 2.0, 10.0
#: The same for mirrors compared in the camera's frame, which an unknown camera turns; set on simulated photos.
SAME_MIRROR_CAMERA_DEG = 8.0
#: ... and its distance from the camera agrees to between these ratios; likewise.
SAME_MIRROR_DEPTHS = (0.7, 1.4)
#: Photos were taken at one zoom when their focal lengths agree to this share, and to so many sd: phones that focus
#: anew differ by about 1 %; common practice, no source.
SAME_ZOOM_SHARE, SAME_ZOOM_SIGMAS = 0.015, 5.0

#: Two photos whose corners agree to this [px, median of each board; of the smaller photo] show one view: a copy
#: encoded or scaled anew has 0.01 to 0.04, two photos from one tripod as little, and teach as little. A choice.
SAME_VIEW_PX, LEAST_COMMON_CORNERS = 0.06, 6

# Moved between the photos -----------------------------------------------------------------------------------------

#: What two photos say of one mirror (lean, turn, offset) disagrees above this: chi-square of 3 degrees, by chance 1
#: in 10,000. Set before any data; then on 180 simulated pairs of one state it was at most 8, and 100 to 200 for a
#: mirror turned by 0.05 degrees.
MOVED_CHI_SQUARE = 21.1
#: ... and only a difference of this size is refused: half the usual tolerance, and what a sheet slides by when it
#: is touched. Less than that is noted: on real photos small errors repeat that no interval knows of. A choice.
MOVED_DEG, MOVED_MM = 0.05, 2.0
#: Two photos of a bent mirror are compared over the part that they share; where that is narrower or lower than
#: this share of the smaller one's sides, over so much of the middle between them, both extrapolated. A choice, made
#: after seeing simulated sets of bent mirrors; that both are extrapolated, after one drawn set of a twisted mirror
#: whose photos showed its upper and its lower part.
LEAST_COMMON_SHARE = 0.2
#: A sheet counts as moved before a camera that stood still when that fits so many times better than one that lay
#: still.
MOVED_SHEET_RATIO = 1.5
#: Nothing but the sheet moved where the joint fit is at most so many times worse than the worst photo alone: 1.2 on
#: the real photos, 4.5 where the mirror was turned by 0.05 degrees too (simulated). Set after both.
MOVED_SHEET_MISFIT = 2.0
#: A joint fit so many times worse than the worst photo alone is begun anew, without what these said; a choice.
HINT_MISLEADS_RATIO = 3.0

# Turned sheet -----------------------------------------------------------------------------------------------------

#: A sheet counts as turned from this angle on: less tells little of the print. A choice.
LEAST_TURNED_DEG = 40.0
#: Photos of one mirror on one floor differ about its lean by no more than this and so many sd of both: by chance
#: 1 in 10,000, and 0.2 degrees for a sheet that lies a little differently. A choice, before any data.
LEANS_APART_DEG, LEANS_APART_SIGMAS = 0.2, 4.0

# Camera and picture -----------------------------------------------------------------------------------------------

#: A focal length or centre so many prior sd from expectation means that the photo is not whole: by chance 1 in
#: 2000.
CAMERA_PRIOR_RESIDUAL_SIGMAS = 3.5
#: Chi-square of 2 degrees above which a picture counts as stretched or sheared: by chance in 1 of 400. On 38
#: rendered photos it was below 3.5 except for two (6.7 and 10.1).
MAX_RESHAPE_SCORE = 12.0
#: From here on it is asked again with mirror and print taken for exact: by chance 1 in 7, which costs a solve. Set
#: after seeing data: two slants of 4 and 5 % had 7 and 9, whole photos (seven samples and drawn ones) up to 1.3.
SUSPECT_RESHAPE_SCORE = 4.0
#: A stretched picture of a flat mirror and an exact print fits no worse than this times what fits a bent mirror and
#: a print that is off: the shape has some twenty numbers more for some 200. Set after seeing one bent mirror (seed
#: 7302) that was called stretched, which fitted six times worse so.
MOST_RESHAPE_MISFIT = 1.3
#: ... and the corners' marginal likelihood (logarithm) is higher so by this, where the flat fit alone leaves the
#: question open and where it says yes. Set after seeing mirrors bent by 5 micrometres that were called stretched
#: (-1.9 to -0.8); slants of 5 % that nothing but the flat fit notices (0.1 to 4.1), one of 10 % that it does not
#: quite (1.7), and flat photos as they were taken (up to 0.02).
RESHAPE_LOG_ODDS = (1.0, 0.0)
#: ... against a picture whose stretch is held to this, one standard deviation: a hundredth of a pixel. A choice.
HELD_RESHAPE_SD = 1e-6
#: Chi-square of 8 degrees above which a camera file contradicts the photos: by chance 1 in 1000.
MAX_CAMERA_APART = 26.1
#: A stretch so many sd, and so much, off what a change of the picture's shape explains is a change of perspective.
#: Set on five sample photos whose upper edge was widened by 4 to 20 %: 20 % gave 0.16 to 0.27 and intervals missed
#: by up to 6 sd; 10 % gave 0.06 to 0.12, and intervals that hold.
PERSPECTIVE_SIGMAS, PERSPECTIVE_STRETCH = 3.0, 0.06
#: Stretch and shear [one sd] of a picture whose lens is not the file's: it was zoomed, and has none, or its
#: perspective was changed, and it has those of a picture of another shape, 5 %; both are as likely. A choice, after
#: seeing slants of 15 and 20 % that were taken for a zoom.
ZOOM_OR_SLANT_SD = 0.035
#: A picture longer than this, long side to short, is longer than any screen and may be a panorama; a choice.
PANORAMA_SHAPE = 2.3

# Fit --------------------------------------------------------------------------------------------------------------

#: Above this reprojection error the model itself is wrong [px]; a choice before any data.
MAX_RMS_PX = 2.5
#: Reflected corners that scatter this many times more than their grain explains, and than the sheet's own, are of
#: another sheet. 31 rendered photos (bent mirrors, curled and skewed sheets too) have at most 1.04, four real ones
#: 0.9; of ten drawn with one sheet seen directly and the other's reflection, nine have 30 to 950, the tenth fits.
#: Set after these.
FOREIGN_REFLECTION_RATIO = 8.0
#: Where a flat mirror leaves so many times the solution's squares, and that of a sheet elsewhere no more than so
#: many times, and explains so great a share of the difference, the reflection is another sheet's, or a part of the
#: picture was shifted. Of two sheets and of pictures torn by 1 px, whose answers were wrong (four and fourteen,
#: drawn), the last two have at most 2.2 and at least 0.95; of 170 rendered photos of bent mirrors, curled sheets
#: and skewed prints, 116 leave more than 3 when taken for flat; of these three have more than 0.9 explained, and at
#: least 14 times left. Set after these.
ELSEWHERE_FLAT_RATIO, ELSEWHERE_RATIO, ELSEWHERE_SHARE = 3.0, 3.0, 0.9
#: ... and so where a sheet elsewhere explains more than the solution itself, with all that may be bent, and so much
#: more [noise variances] than a flat mirror that three numbers hardly do by chance. Set after seeing three pictures
#: torn by 1 px (54 to 315); of the 170 photos none has more than 15 where it explains as much.
ELSEWHERE_GAIN = 40.0
#: ... asked where the mirror seems to be bent at least so much [1/mm]: nothing else takes up the difference. A
#: choice.
ELSEWHERE_CURVATURE_PER_MM = 1e-6
#: More than this share of the sheet's own corners left out as fitting no flat sheet is said, with the part of the
#: sheet they are on: farther from its middle than this share of its size. A choice before any data.
MOST_LOST_SHARE, PART_SHARE = 0.15, 0.12
#: The contact edge may seem to stand this far behind the glass before the answer is refused [mm]; a choice.
BEHIND_MM = 15.0
#: A solve that stopped so many noise variances of its cost before its end is said to: a tenth of a standard
#: deviation. A choice before any data.
LEFT_TO_GO = 0.01
#: Corners that err so much alike, and so many times what their grain explains, tell of a sheet or a lens that the
#: model does not know: a bent board in the hand had 0.4 and 5 to 8, a panorama drawn on a cylinder 0.9 and 29.
HIGH_CORRELATION, HIGH_SIGMA0 = 0.5, 10.0
#: Corners that scatter this many times more than their windows' grain explains are off by what repeats (a warped
#: print, a sharpening phone), and no sum of random errors: the thickness, their finest trait, is then not told.
#: Rendered photos have 1.1 to 1.8; the real ones 4 to 9, and made of a corner's two mirrors one of 5.7 +- 0.8 mm
#: and one that is front-coated.
SYSTEMATIC_ERRORS_SIGMA0 = 3.0

# Glass ------------------------------------------------------------------------------------------------------------

#: A thickness so many half widths of its interval (3 standard deviations) below 0 tells nothing of the glass.
IMPOSSIBLE_HALVES = 1.5
#: A thickness is reported when its interval is narrower than this, half width [mm]; a choice.
THICKNESS_WORTH_MM = 1.0
#: A statement this many standard deviations from what the photos say is not believed: by chance 1 in 16,000.
CONTRADICTION_SIGMAS = 4.0
