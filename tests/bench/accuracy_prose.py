"""The fixed paragraphs of docs/accuracy.md."""

SIMULATED_PROSE = """\
{views} views of the sheets `card`, `a6`, `a5`, `a4` and `letter` in turn. The corners are projected
exactly through the slab of glass and get 0.1 px (sd) of noise in each coordinate. Nothing is left out:
{redrawn} draws were replaced because fewer than six corners of the target or of its reflection lay in
the frame.

- **Camera**: 12 megapixels, landscape or portrait, 24, 26 or 28 mm-equivalent. Its true focal length
  (4 % sd from what EXIF says), centre (0.8 % of the long side) and distortion (k1 0.08, k2 0.05, p1 and p2
  0.0005; k3 zero) are drawn from the solver's own prior, `optics/camera_model.py`. So are the bow of the sheet
  (1 mm sagitta, sd, each way and in twist) and the index of the glass (1.52 ± 0.005). That is on
  purpose: only when the truth is drawn from the prior are 95 % coverage and the bound exact
  expectations. It also means that these tables say nothing about phones outside the prior. The rendered
  photos below have cameras of their own, milder than it: focal length 1.2 %, centre 0.5 %, k1, k2 0.03.
- **Mirror**: lean 1.5° and turn 3° (sd), 5 mm to 0.8 sheet depths behind the contact edge; glass of 0
  (front-coated), 2, 3, 4, 5 or 6 mm, ± 0.1 mm (sd).
- **Eye**: 22° to 50° above the floor, 25° to either side, 1.6 to 2.6 sheet widths and 80 mm away.

**The bound** is computed apart from the solver (`tests/bench/exact_view.py`): another projection
(OpenCV's, behind a ray through the glass found by its angle; the two projections agree to a billionth
of a pixel), derivatives by differences at the truth, the known noise, and the information of the same
priors. The table shows the root mean square of the views' own bounds. "rms of error / bound" divides
view by view first, so that easy views count as much as hard ones. A ratio well below 1 would be as much
a fault as one far above it. "Focal length" is in per cent of itself.
"""

COVERAGE_PROSE = """\
The same at every confidence, not at 95 % only: how many of the intervals hold the truth, less what they
promise. Inside the grey band it may be chance.
"""

STOCK_PROSE = """\
Two separate poses of the board, each by `cv2.solvePnP` (IPPE) and `cv2.solvePnPRefineLM`, with the EXIF
focal length, the centre in the middle and no distortion; the reflected corners with flipped x, as a
detector finds them in the flipped photo. With R_d, t_d the pose of the target, R_f, t_f that of the
reflection in the flipped photo and S = diag(−1, 1, 1), the mirror's normal n follows from the
difference of the two poses in two ways:

- *rotation*: S R_f = R_d (I − 2 n nᵀ), so n is the main eigenvector of the symmetric part of (I − R_dᵀ
  S R_f) / 2;
- *translation*: the middle of the board and its image, R_dᵀ (S (R_f p + t_f) − t_d), are joined along
  n.

All comparisons with the stock route use the better of the two. It knows neither glass nor distortion,
and it reports no interval.
"""

NOT_COVERED = """\
- **No real photograph of known truth.** Nobody has hung a mirror whose lean is known to 0.01° in front of a real
  phone here; real photos are only held against each other. The rendered photos come from an independent renderer,
  but its lens, its noise and its JPEG are models as well.
- **Phones outside the priors**: ultra-wide lenses, strong in-phone distortion correction, panoramas,
  digital zoom that EXIF does not tell. Simulated truths are drawn from the priors themselves.
- **What is not flat, and prints that are not exact**: bent mirrors, curled sheets and skewed prints have a page of
  their own, [accuracy_bent.md](accuracy_bent.md). Creases are on neither.
- **Rolling shutter, hand shake and focus** beyond a symmetric blur.
- **Simulated noise is white and Gaussian.** Real corner errors of neighbours are alike: on a bent board all over,
  elsewhere where a ghost or a shadow crosses them. The intervals allow for it where residuals show it; what that
  is worth was measured on other sets ([theory](theory.md), Noise and intervals). No rendered photo here shows it.
- **Few rendered photos**: a handful of mirrors cannot tell 93 % coverage from 97 %; the interval
  printed beside it says so.
- **No floor in the intervals.** They come from the corners' scatter and the priors alone. On renders whose
  sheet is lit with little noise no further error was found; a printer's and a real lens's are not in them.
- **Several photos of one mirror** are on the pages of [sets](photo_sets.md) and of a
  [moved sheet](moved_sheet.md); stated contact (`--touching`) is in no table.
"""

MADE_BY = """\
Made by one command, which overwrites this page, its text included, and its figures. `--photos` names a folder
of further rendered photos; those below are made by `python -m tests.rendering.make_accuracy_set DIR`. `--ghosts`
names a folder of traced lamps that `python -m tests.bench.ghosts DIR` has answered. `tests/bench/run_all.py` makes
both folders.
"""

BESIDE = """\
Every error is against a known truth. Beside it, from the same run: the stock OpenCV route and, for the
simulated views, the Cramér-Rao bound, below which no unbiased method can go.
"""

FLAT_PROSE = """\
{views} further views whose sheet has no bow at all, while the solver still allows for 1 mm (sd): the
answer must not hang on the paper being as uneven as the prior expects.
"""

PHOTOS_PROSE = """\
{photos} photographs traced by Mitsuba 3 (tests/rendering), which shares no code with the forward model,
finished as a phone would: distortion, blur, noise, tone curve, JPEG. {samples} of them are the sample
photos; the others come from `--photos`. Every mirror gets an answer from us in {ours} of them, the stock
route gives one in {stock}.

"EXIF only" is `align.check` on the photo alone. "Camera known" gives it a camera file that holds the
truth, with hardly any uncertainty (focal length 0.01 %, centre 0.3 px, sd). The stock route is the whole one here:
`CharucoDetector` at native size on the photo and on its flip, then the two poses as above. Where a
photo shows two mirrors, it is compared with the one that it comes nearest to, which favours it.

"Held" counts the 95 % intervals that hold the truth, and gives the rms and mean error in units of the
intervals' own standard deviations. They promise an rms of 1 and a mean of 0 ± 1 / √n for n mirrors.
"""

TIMING_PROSE = """\
Whole processes, run in turn on 2 cores; medians of the rounds, the ratio being the median of the
pairs' ratios. The stock script (`tests/bench/stock_route.py PHOTO SHEET`) imports OpenCV and the markers,
reads the photo in grey, runs `CharucoDetector` on it and on its flip, and computes no pose at all. All
sample photos of the largest size are timed, with byte code kept as pip keeps it. Other work on the machine
hardly moves the ratio; it does lengthen the seconds. More on time and memory: [performance](performance.md).
"""

GHOSTS_PROSE = """\
Behind back-silvered glass a lamp's reflection is flanked by weaker copies. `align glass` tells by them whether the
mirror is front-coated or back-silvered, and how thick its glass is ([which glass](glass.md)). A verdict is right,
wrong, or undetermined; thickness counts where glass was called back-silvered. Fresnel's brightness is for
unpolarised light.

**Sample photos that show lamps**, whole, from file to answer with nothing stated: {samples}. Whether a lamp is
saturated is not in the answer; the brightness of a saturated lamp's ghosts is told mostly by Fresnel's law itself,
which the fit expects to 30 % (sd), and has that uncertainty.
"""

GHOSTS_ALONE = """\
No folder of traced lamps was given (`--ghosts DIR`): this section rests on {photos} alone. So few show that the
route works from file to answer, not how often verdicts and intervals are right, nor how bright ghosts are.
"""

GHOSTS_TRACED = """\
**Traced lamps**, `tests/bench/ghosts.py`: {photos} photos finished from {scenes} scenes that Mitsuba traced, small
parts of a 12-megapixel photo in a dark room. The sheet does not fit into them: plane and camera are given with
errors such as a solve of the sheet has. Finishes of one scene share its lamps, view and traced light; exposure,
blur, glare, noise and those errors are drawn anew. So the brackets, which take the photos as independent, are
somewhat too narrow.

"None wrong" is said of a set that was seen: five rules of the verdict were made after it (lamps seen directly
must not be flanked themselves; lamps must not contradict one another; how far residuals scale; a burnt-out lamp
has no dim reflection; what may itself be a ghost does not speak for a front coating), and some limits after the
"trial" and the first two "fresh" sets of `tests/rendering/lamp_scenes.py` too. The third fresh set, from file to
answer, was scored once after all of them were fixed: none wrong of 160, [which glass](glass.md#how-well-it-does).
"""
