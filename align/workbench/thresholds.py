"""What decides at the workbench: when a mirror has moved, and what the server takes and refuses.

Each with its reason or source. "Set after seeing data" says on which; the others were chosen beforehand.
"""

from __future__ import annotations

# The loop -----------------------------------------------------------------------------------------------

#: The mirror counts as moved when chance alone would make so large a difference less often than this. One still
#: stand in a hundred is begun anew without need, which costs nothing but narrowness. Common practice in tests of
#: deformation, no source.
CHANGE_LEVEL = 0.01
#: So many photos of one stand are solved together, the newest ones: an interval narrows with the square root of
#: their number at best, and beyond six it hardly does. A choice.
MOST_JOINED = 6
#: Photos of one stand between which the sheet was turned or moved are solved together up to this number: each place
#: tells what no other does. A choice.
MOST_LAID = 8

# What is taken ------------------------------------------------------------------------------------------

#: Four times what phones write at 50 megapixels; common practice, no source.
MOST_PHOTO_BYTES = 64_000_000
#: The main cameras of phones end at 50 megapixels. Set after seeing data: one of 49 took the server to 330 MB
#: (VmHWM), less than half of the 700 MB that it may have.
MOST_PHOTO_MEGAPIXELS = 55.0
#: A filled-in form has one kilobyte. A choice.
MOST_FORM_BYTES = 64_000
#: Photos that wait, are being received or are worked on: some five seconds' work. The page sends a refused one
#: again by itself. A choice.
MOST_WAITING = 6
#: Photos of one set of lamps, or of one camera, that are solved together. A choice.
MOST_IN_SET = 30

# Patience -----------------------------------------------------------------------------------------------

#: A sender that says nothing for so long, or over its whole time fewer bytes a second than this, is cut off: a
#: phone at the edge of its network is faster. Common practice, no source.
SILENCE_S, SLOWEST_BYTES_S = 10.0, 20_000.0
#: A refused sender is listened to for so long, and for so many bytes, so that it reads why. A choice.
LINGER_S, LINGER_BYTES = 2.0, 80_000_000
#: After an interrupt connections may end for so long, then the work at hand: together less than the 3 s promised.
CLOSE_S, STOP_S = 1, 1.5
#: A form sent without JavaScript waits for its answer so long before the page is shown without it. A choice.
FORM_WAIT_S = 20.0

# Live -----------------------------------------------------------------------------------------------------

#: Chance alone may call a move so seldom: some 600 tests a minute, one false alarm in a day. A choice.
LIVE_ALARM = 1e-6
#: Frames of a mirror that has come to rest differ more than this only so often. A choice.
LIVE_UNREST = 1e-3
#: What a frame's own solve errs by, beyond its noise, when the hand moves: lean, turn [rad], gap [mm]. Set after
#: seeing data: the films with seeds 1 and 2 of tests/bench/live.py.
LIVE_FLOOR = (5.2e-5, 5.2e-5, 0.02)
#: By how much frames of a hand that sways scatter beyond their noise [rad, rad, mm; sd]: in the needle's interval.
#: Set after seeing data: within each of the films 3000 to 3029 of tests/bench/needle.py.
LIVE_SCATTER = (3.6e-5, 1.9e-5, 0.0)
#: The newest frames are compared with the stand's: few notice a large move soon, more a small one. Choices.
LIVE_SHORT_FRAMES, LIVE_LONG_FRAMES = 3, 10
#: So many frames of a stand, its first ones, are what the newest are compared with. A choice.
LIVE_REFERENCE_FRAMES = 30
#: So many frames that agree are a mirror at rest. A choice.
LIVE_SETTLE_FRAMES = 4
#: Frames whose corners are nearer than this share of the frame's long side (0.4 of 1920 px) are from one place and
#: averaged. A choice.
LIVE_SAME_SHARE = 0.0002
#: Frames count as two views when their cameras are apart by this share of their distance, two degrees as the sheet
#: sees them. Set after seeing data: six frames of a hand that swayed by 5 mm, solved together, told a focal length
#: wrong by 1.1 % to be known to 0.5 % (film 101 of tests/bench/live.py). A full set of views changes only for one
#: that is so many times as far from all.
LIVE_APART_SHARE, LIVE_FARTHER = 0.035, 1.5
#: Frames in the mean of one view: more would take out no more noise than is left. A choice.
LIVE_MOST_IN_MEAN = 50
#: The whole joint solve is made anew no sooner than this after the last [s]: it takes most of a core. A choice.
LIVE_SOLVE_EVERY_S = 1.5
#: A stand is settled, and kept in the record, once its frames come from so many places, or after so long [s].
LIVE_SETTLED_VIEWS, LIVE_SETTLED_S = 3, 2.0
#: A frame that fits so many times worse than the joint solve left its own is not told from; so many in a row: the
#: joint solve no longer holds (another zoom, another sheet), and begins anew. Choices.
LIVE_MISFIT, LIVE_MISFITS = 4.0, 8
#: What is not found at a glance is searched for thoroughly so often [s]: that takes up to a second. A choice.
LIVE_SEARCH_EVERY_S = 3.0
#: A frame is missed when no picture has come for so long [s].
LIVE_NO_PICTURE_S = 1.0

# Watched folders ------------------------------------------------------------------------------------------

#: A file that stands still but does not decode is given up after so long, and refused in plain words [s]: a slow
#: network may pause in the middle of one. A choice.
WATCH_PATIENCE_S = 20.0
