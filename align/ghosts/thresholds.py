"""What decides an answer about glass: every number that finds a lamp, believes a ghost, or gives a verdict.

"Old set": 180 parts of photos traced by Mitsuba and the five photos of another hand's renderer. "Trial set": 34
photos of tests/rendering/lamp_scenes.py, looked at while this was made. The "fresh set", other seeds of the same
scenes, was scored once (docs/glass.md) before the numbers that say "after the fresh set". The "second fresh set",
yet others, was scored once; then the old set was scored again, and rules of pairing and SURE_BARE were made after
both. The "third fresh set" was scored once after all of them were fixed.
"""

from __future__ import annotations

from ..optics.slab import COMMON_GLASS_MM

# --- finding lamps ---

#: Code value in any colour above which a pixel is a lower bound; common practice, no source. Before any data.
FULL_CODE = 212
#: What is lit by the room is no brighter than white paper in it; a lamp is, by this factor. A choice, before any
#: data.
ABOVE_PAPER = 1.2
#: ... but no lamp has to be brighter than this: above, tone curves leave no room. After the trial set.
ENOUGH_LIGHT = 0.9
#: Without the paper to compare with, a lamp has this share of the brightest light. A choice.
SHARE_OF_BRIGHTEST = 0.15
#: A spot's surroundings are darker than this share of its peak, on so many of eight sides. After the trial set.
RING_SHARE, RING_SIDES = 0.8, 6
#: A lamp is no wider than this share of the photo's long side, or than this [px] in small photos.
WIDEST_SHARE, WIDEST_PX = 0.03, 70.0
#: A spot fills at least this share of its convex hull (regionprops' solidity). A choice.
SOLID = 0.75
#: Spots that are looked at, most light first.
MOST_SPOTS = 60
#: Photos from one place (a phone on a stand) show a lamp within so many pixels. A choice.
SAME_PLACE_PX = 2.5

# --- pairing ---

#: A reflection lies this near to the line that the lamp's own ray predicts [px of a 4000 px photo], with a share of
#: the spot's radius for centres that saturation and ghosts shift. On the old set all pairs fall within 0.3 px.
PAIR_MISS_PX, PAIR_MISS_SHARE = 2.0, 0.12
#: Sizes agree within this factor, brightness of what is nowhere saturated within the second.
PAIR_SIZE_FACTOR, PAIR_LIGHT_FACTOR = 1.7, 2.0
#: Spots of a larger radius [px] are not dimmed by blur: a burnt-out lamp has no reflection half as bright as full
#: light. After the old set, of which 6 mm glass was called front-coated by the ghosts of two lamps side by side.
LARGE_PX = 3.0
#: Standard deviations by which sizes and brightness of a true pair differ (logarithms), and of its miss (shares of
#: the limit above): which of several possible partners it is.
SIZE_SD, LIGHT_SD, MISS_SD = 0.15, 0.3, 0.3
#: Two ways to pair whose costs differ by less than this are not told apart.
AMBIGUOUS_COST = 6.0
#: What lies where ghosts of a pair would is no lamp, where the pair costs less than this. After the fresh set:
#: lamps whose ghosts were taken for partners had been left undetermined.
LIKELY_COST = 6.0
#: A reflection that lies where a ghost of a spot would that has this many times its light (peak times area) may be
#: that ghost, and does not speak for a front coating: of burnt-out ghosts and lamps only the skirts differ. After
#: the old set, of which 6 mm glass was called front-coated so.
GHOST_STRONGER = 1.5
#: Lamps are looked for between these heights before the glass [mm].
NEAREST_MM, FARTHEST_MM = 1.0, 700.0
#: Where a lamp is not seen directly, this height before the glass is supposed [mm].
SUPPOSED_HEIGHT_MM = 80.0
#: Uncertainty of a lamp's ghosts' distances (sd of their logarithm): seen directly too, partner not sure, not seen.
SCALE_SD_PAIRED, SCALE_SD_AMBIGUOUS, SCALE_SD_UNPAIRED = 0.006, 0.1, 0.25
#: More lamps than this, those that can tell most first, tell nothing more and take their time.
MOST_LAMPS = 6

# --- the fit ---

#: Noise of a photo's linear light at full scale, in the dark; edges are wrong by this share of a pixel's own slope.
DARK_NOISE, FULL_NOISE, EDGE_NOISE_PX = 0.002, 0.012, 0.12
#: Residuals' own scale and the pixels that count as one are believed within these. After the old set.
LEAST_SCALE, MOST_SCALE = 0.6, 4.0
MOST_CORRELATION = 36.0
#: Polarised light (a lamp behind glass, light off a wet street) changes the ghosts: sd of their factor.
FRESNEL_SD = 0.3
#: A lamp's edge is as soft as the print in the same mirror (sd of the logarithm): how bright a burnt-out lamp is
#: shows only in its skirts, and what those are only once the blur is known. After the trial set.
SOFT_SD = 0.3
#: Glass that is looked for and that "front-coated" excludes [mm]: from a quarter less than the thinnest common one,
#: which no maker's tolerance reaches, to table tops. What is measured thinner than
#: slab.THINNEST_GLASS_MM is no glass.
LEAST_GLASS_MM, MOST_GLASS_MM = 0.75 * COMMON_GLASS_MM[0], 10.0
#: Half the 95 % interval of chi-square with one degree of freedom.
CHI2_95 = 3.84
#: Uncertainty of index and place common to all lamps, as a share of the thickness (slab.FLOAT_GLASS_INDEX_SD and
#: about 0.5 % for distance and focal length).
COMMON_SHARE = 0.006

# --- the verdict ---

#: By this much (chi-square) the answer's own explanation must beat the other one: five sd. Before any data.
SURE = 25.0
#: "No ghosts" must beat glass by this much: four sd. It is compared with the best of all thicknesses and
#: brightnesses, which only helps glass: before true glass a ratio of likelihoods of exp(16 / 2) = 3000 comes about
#: once in 3000 photos at most, where the model is right (Markov's inequality). Nothing of the kind holds the other
#: way round, where the best glass has been searched for. After the old set, the fresh one and the second were seen.
SURE_BARE = 16.0
#: And ghosts on both sides a ghost on one side only: three sd. Before any data.
SURE_OF_BOTH = 9.0
#: A thickness is worth saying when the half-width of its interval is below this [mm].
WORTH_MM = 1.5
#: Ghosts' brightness relative to Fresnel that glass can have; polarised light moves it about 1.
FEWEST, MOST = 0.4, 2.0
#: Partly polarised light leaves at least this share of the unpolarised ghosts' brightness; a choice.
LEAST_FACTOR = 0.5
#: A lamp lacks ghosts where they are fainter than FEWEST by so many standard deviations. After the old set.
LACKING_SD = 3.0
#: A lamp speaks for or against an answer when it prefers it by this much. After the old set.
SPEAKS = 9.0
#: Front-coated is claimed where the best lamp's ghosts on the thinnest glass would leave this much free [px].
LEAST_CRESCENT_PX = 0.5
#: A ghost is seen down to this light, full scale being 1; a lens blurs by at least the second [px, sd].
VISIBLE_LIGHT, LEAST_BLUR_PX = 0.05, 0.6
#: A ghost shows where its light is this many times the noise of a pixel. A choice.
GHOST_OVER_NOISE = 3.0

# --- causes of blur ---
# Where nothing else is said, set after photos of the old set were seen.

#: Edges softer than this (sd) [px of a 4000 px photo] are out of focus: a phone in focus has about 1.
SOFT_PX = 2.0
#: The limits in pixels shrink with the photo down to this. After the trial set, whose small photos are as sharp.
LEAST_BLUR_SCALE = 0.75
#: Reflections this many times as soft as the lamps themselves: focus changes with distance.
SOFTER = 1.6
#: Cores drawn out by more than this [px of a 4000 px photo] were moved while exposed ...
DRAWN_OUT_PX = 4.0
#: ... and in one direction: length of the mean of their directions, angles doubled (1: all alike).
ONE_DIRECTION = 0.9
#: ... and alike in length, by this factor: an oval lamp is long by itself. After the trial set.
ALIKE_LENGTHS = 2.0
#: Light this far beyond the soft edge [px of a 4000 px photo] is glow; more than GLOW of full light is visible.
BEYOND_PX, GLOW = 6.0, 0.01
#: A reflection glows by itself when it is this many times brighter than the lens's own glare makes it.
HAZIER = 2.0
#: Chi-square by which ghosts beside most of the lamps themselves count ...
ALSO = 16.0
#: ... and the share of what the reflections' own ghosts count for: another lamp's ghost near by is far weaker.
ALSO_SHARE = 0.2
