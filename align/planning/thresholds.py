"""The constants that decide a plan's answers: value, reason or source, and whether it was set after seeing data."""

from __future__ import annotations

import math

#: Reflections that a line of sight is followed through. Asked for; a fourth image is under 0.9^4 as bright and
#: small. Not set after seeing data.
MOST_REFLECTIONS = 3
#: A thing counts as shown when this share of its sample points is seen; as seen at all when any is. A choice.
SHOWN_SHARE = 0.5
#: A face around its eyes [mm]: chin below, cheeks to the sides. About half a head's breadth (150) and the
#: distance from eye to chin of an adult, from memory of Pheasant, Bodyspace; a child's are smaller.
CHIN_BELOW_MM, CHEEK_ASIDE_MM = 110.0, 75.0
#: Images of a thing's middle that lie nearer to one another than this [mm] are one image: thin-mirror images of
#: mirrors that meet square coincide to rounding; glass parts them by a few millimetres. A choice.
SAME_IMAGE_MM = 12.0
#: A wish is tried from places between the standing places too: of these parts of the spacing the finest that leaves
#: no more places than the limit. A grid alone let faces through between its places (seen on the example); finer
#: grids than this found nothing more there.
BETWEEN_PARTS, MOST_PLACES_BETWEEN = (6, 3, 2), 1_200

# ---- cures ------------------------------------------------------------------------------------------------

#: Steps and limits of the changes that are tried: fine enough for a workshop, coarse enough to be quick. Choices.
ANGLE_STEP_DEG, ANGLE_LIMIT_DEG = 0.5, 15.0
LENGTH_STEP_MM, MOVE_LIMIT_MM = 5.0, 150.0
#: A mirror keeps at least this share of its height when its top is lowered. A choice.
LEAST_HEIGHT_SHARE = 0.3
#: A side effect on a wish that stays met is worth a word from this share of the eye places on. A choice.
WORTH_A_WORD = 0.05
#: A screen that hides more of the mirrors than this is no cure: they are what it was all for. A choice.
LEAST_MIRROR_LEFT = 0.6
#: Candidates are tried from so many eye places first; what passes is tried from all. Changes the time only.
FEW_EYES = 150
#: Cures are looked for the worst so many unmet wishes, so that a plan takes no more than minutes. A choice.
MOST_CURED = 30

# ---- what an eye notices ----------------------------------------------------------------------------------

#: A bend in a straight line that an attentive eye just notices [rad]: 1 degree. Laboratory thresholds for
#: telling a bent line from a straight one are of this order, from memory; a choice, not a
#: measurement of ours.
JUST_SEEN_BEND = math.radians(1.0)
#: What the eye resolves [rad]: one minute of arc, the detail that defines visual acuity 1.0 (6/6, 20/20);
#: ISO 8596 for the definition, from memory; several optics courses' pages agree.
EYE_RESOLVES = math.radians(1.0 / 60.0)
#: Share of the eye places that may notice an error of the recommended tolerance; a choice: the last tenth,
#: the lowest and farthest eyes, would ask for a mirror several times better than all others need.
NOTICING_SHARE = 0.1
#: A path that asks for a turn this much different [rad] is shown as it would be then.
WORTH_TURNING = math.radians(0.25)
#: A path's end within this of a glass [mm] is meant to be at that mirror. A choice.
NEAR_GLASS_MM = 30.0

# ---- glass ------------------------------------------------------------------------------------------------

#: A sheet that bends by no more than this [rad] counts as flat: the tolerance that `align check` takes by default.
MOST_SLOPE = math.radians(0.1)
#: How much more than planned a mirror may lean while it is set and shimmed [rad]. A choice.
LEAN_WHEN_SET = math.radians(2.0)
#: A clip that holds a mirror presses with about the weight of 100 g [N]; common practice, no source.
CLIP_FORCE_N = 1.0
#: What is ordered where nothing asks for thinner or thicker glass [mm]; common practice, no source.
USUAL_GLASS_MM = 4.0
#: A front-coated pane is no thinner than this [mm]; common practice, no source.
LEAST_COATED_MM = 3.0
#: Above this weight or length two people handle a mirror; common practice, no source.
HEAVY_KG, LONG_MM = 5.0, 1200.0

# ---- what gives a mirror away ------------------------------------------------------------------------------

#: What fewer eye places than this share meet is not listed. A choice.
WORTH_LISTING = 0.005
#: A wall whose end is within this of the glass [mm] runs up to it; its line must go on behind it. A choice.
TOUCHES_GLASS_MM = 10.0
#: Light whose direction differs by more than this [rad] between the scene and the mirror's picture of it is seen to
#: fall from elsewhere. A choice: half of what turns a lit side into a shaded one.
LIGHT_FROM_ELSEWHERE = math.radians(45.0)

# ---- hand-over --------------------------------------------------------------------------------------------

#: What `align check` takes for true where no path asks for better or less [deg]: its own default.
USUAL_TOLERANCE_DEG = 0.1

# ---- clothed with photos ----------------------------------------------------------------------------------

#: A photo of 4000 px whose sheet fits worse than this [px] is refused: ordinary ones fit to 0.3 px. A choice.
MOST_POSE_RMS_PX = 3.0
#: All faces together are painted on about so many texels. Changes time and sharpness only.
MOST_TEXELS = 900_000
#: Photos are reduced until a texel is so many of their pixels wide. Changes sharpness only.
PIXELS_A_TEXEL = 1.5
#: A face seen at a flatter angle than this cosine is not taken from a photo: 10 degrees. A choice.
FLATTEST_COSINE = 0.17
#: The view that sees a place best counts most: its weight is resolution times squareness to this power, so that
#: seams are blended over a short way only. A choice.
BEST_VIEW_POWER = 4.0
#: At the edge of what hides a face its photo is not trusted over this [mm], and blended in over so much more.
#: Choices, about as large as the tape's and the pose's errors.
EDGE_MM, BLEND_MM = 2.0, 10.0
#: Slivers that no photo shows are filled in from beside up to this far from what is seen [mm]. A choice.
SLIVER_MM = 4.0
#: A photo counts for a cut-out when it shows so much of it at least. A choice.
CUTOUT_SHOWN = 0.5
#: Light whose logarithm differs by more than this from the scene behind a cut-out belongs to the cut-out. Set after
#: seeing the crane of sample_images/harbour_photos.
CUTOUT_DIFFERS = 0.3
#: A face is named as not covered when its uncovered part is so much of all faces' area. A choice.
WORTH_NAMING = 0.001
