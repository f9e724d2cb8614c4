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
