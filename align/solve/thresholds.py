"""The solve's deciding constants: value, reason or source, and whether it was set after seeing data."""

from __future__ import annotations

#: Curvature of a mirror's face [1/mm], one standard deviation, at each of the levels that are weighed against one
#: another, and how likely each is before the photo is looked at. Beam theory (S. Timoshenko, Strength of Materials
#: I (1930), simply supported beam, load in the middle: F L^3 / (48 E I), E = 70 GPa from memory) gives 3 mm glass
#: 300 mm wide and 150 mm high a sagitta of 0.1 mm under a clip of 4 N, which is 1e-5; 2 mm glass 0.3 mm, 6 mm glass
#: 0.01 mm. Weight bends a mirror that leans by less than a clip does. Set before seeing data.
BEND_CURVATURES_PER_MM = (3e-7, 1e-6, 3e-6, 1e-5, 3e-5, 1e-4)
BEND_LIKELIHOODS = (0.10, 0.15, 0.25, 0.25, 0.20, 0.05)
#: A bent mirror's curvature changes over so many half sizes of the part that was seen: an arch over a mirror 2 to 3
#: times as wide or high as that part is cos(x / reach) with a reach of 1 to 2 half sizes. A choice, made after
#: seeing that cubics and quartics count, on simulated corners.
BEND_REACH = 1.5
#: Sagitta of the sheet's bow [mm], one standard deviation, likewise: from a print on glued card to a sheet that
#: only just lies flat to the eye. Common practice, no source. Set before seeing data.
BOW_LEVELS_MM = (0.003, 0.02, 0.1, 0.4, 1.5)
BOW_LIKELIHOODS = (0.30, 0.25, 0.20, 0.15, 0.10)
#: Third and fourth terms (Legendre's) of the bow of a board stuck onto something, one standard deviation, as a
#: share of the bow's own: an arch has 0.01, a crease across the middle 0.2, one half way to an edge 0.5 (series of
#: Legendre's polynomials). A choice between, after seeing that four real photos of one board ask for 0.1 to 0.2 mm.
WAVE_SHARE = 0.2
#: Lift of an edge or a corner of the sheet [mm], one standard deviation, likewise; and how likely one more curl is
#: than none, before its shape, one of the catalogue's, is chosen. Common practice, no source.
CURL_LEVELS_MM = (0.1, 0.5, 2.0)
CURL_LIKELIHOODS = (0.40, 0.35, 0.25)
CURL_ODDS = 0.5
#: The most curls of one sheet: one at each edge or corner that a sheet on a floor can hold up at once.
MOST_CURLS = 4
#: Faults of an ordinary printer, one standard deviation: the ratio of its scales across and along, the shear of
#: columns against rows, and smooth distortion within the print [mm]; and the levels, in units of these, that are
#: weighed against one another. Common practice, no source; the levels set after seeing simulated corners.
PRINT_RATIO_SD, PRINT_SHEAR_SD, PRINT_BOW_SD_MM = 2e-3, 1e-3, 0.03
PRINT_LEVELS = (0.4, 0.8, 1.5, 3.0)
PRINT_LIKELIHOODS = (0.2, 0.4, 0.3, 0.1)
#: How far each column and each row of squares is off its place [mm], one standard deviation, on a board of the
#: user's own, in units of the same levels: such a board is as a rule a picture, whose edges were rounded to its
#: dots. A dot's width over the root of 12 is 0.012 mm at 600 dots an inch, 0.024 at 300, 0.05 at 150 and 0.09 at 80
#: (arithmetic; which resolutions: common practice, no source). The levels stood before; that lines need a number of
#: their own was seen on four real photos of one board, whose columns are 0.075 mm off.
PRINT_LINE_SD_MM = 0.03
#: How well the two printed rules of 100 mm are read [mm], one standard deviation; common practice, no source.
RULE_READING_SD_MM = 0.1
#: Chi-square of 2 degrees up to which a picture that may be stretched is solved from where it is not: by chance 1
#: in 400, as where a stretch is not expected. Set after seeing that four real photos, solved from a free stretch,
#: ended with bows too flat and stretches of up to 4 sd.
MOST_UNSTRETCHED_SCORE = 12.0
#: How alike a sheet lies on the same spot of a floor when it is laid down anew, one standard deviation: a grain of
#: 0.02 mm under one end of a sheet 150 mm deep, and a card or tape that gives as much. Common practice, no source;
#: set before seeing data.
FLOOR_SAME_RAD, FLOOR_SAME_MM = 1.5e-4, 0.05
#: How far the middle of a sheet that is turned by hand on its spot moves [mm], one standard deviation. A choice.
TURNED_ON_SPOT_MM = 30.0
