"""Columns of the arrays that the kernels of this stage share. Elevations are in each site's own datum [m]."""

from __future__ import annotations

GRAVITY = 9.80665
"""Standard gravity [m/s2]."""

# kinds of structure (column KIND)
NONE, WEIR, CULVERT, GATE, FALL = 0, 1, 2, 3, 4

# where the tailwater comes from (column TAIL)
TAIL_CHANNEL, TAIL_RATING, TAIL_SECTION = 0, 1, 2

# shapes of a barrel (column SHAPE)
CIRCULAR, BOX, ARCH = 0, 1, 2

# columns of a structure; NaN = not given
KIND = 0
CREST = 1  # elevation of the crest; of the sill under a gate [m]
WIDTH = 2  # of the crest across the flow, at its bottom; of the gate [m]
SIDE = 3  # slope of the ends of the crest, horizontal to vertical [-]; 0 = upright
THICKNESS = 4  # of the crest along the flow [m]; 0 = a thin plate
COEFFICIENT = 5  # C of Q = C b H^1.5 [m^0.5/s]; NaN = worked out from the shape
BED = 6  # elevation of the bed above the structure [m]
LIP = 7  # overhang of the crest on its downstream face [m]; 0 = none
CONTRACTIONS = 8  # ends at which the nappe is contracted: 0, 1, 2
NOTCH_WIDTH = 9  # of a notch cut into the crest [m]; 0 = none
NOTCH_DEPTH = 10  # below the crest [m]
LOGS = 11  # height that stop-logs or a raised crest gate add while they are in [m]; 0 = none
POOL_BED = 12  # elevation of the bed of the pool below [m]; NaN = not known
OPENING = 13  # height of the gate's opening above the sill [m]
GATE_TOP = 14  # elevation from which the gate is overflowed [m]; NaN = never
TAIL = 15
# the channel below: elevation of its bed [m], bottom width [m], side slope [-], slope [m/m], Manning's n
CHANNEL_BED = 16
CHANNEL_WIDTH = 17
CHANNEL_SIDE = 18
CHANNEL_SLOPE = 19
CHANNEL_N = 20
TAIL_SHIFT = 21  # added to every tailwater elevation [m]
SHAPE = 22
RISE = 23  # of the barrel [m]
SPAN = 24  # of the barrel [m]
LENGTH = 25  # of the barrel [m]
INLET = 26  # invert elevation at the upstream end [m]
OUTLET = 27  # invert elevation at the downstream end [m]
BARREL_N = 28  # Manning's n of the barrel
BARRELS = 29  # how many of them, side by side, alike
EMBEDDED = 30  # depth of bed material inside, above the invert [m]
ENTRANCE_LOSS = 31  # K_e of outlet control [-]
INLET_K = 32  # inlet control, form 1: HW/D = Hc/D + K (Ku Q / A D^0.5)^M - 0.5 S
INLET_M = 33
INLET_C = 34  # submerged: HW/D = c (Ku Q / A D^0.5)^2 + Y - 0.5 S
INLET_Y = 35
FIELDS = 36

# columns of a state: what the water does at one discharge
TAILWATER = 0  # elevation of the water below [m]
HEADWATER = 1  # elevation of the water above [m]
DROP = 2  # crest (or outlet invert) less tailwater [m]; negative = drowned
RISE_TO = 3  # water surface at the top less tailwater [m]: what a leaper has to rise
POOL = 4  # depth of the pool below [m]; NaN = not known
DEPTH = 5  # least depth of water on the way [m]
DISTANCE = 6  # length of the fast water [m]
SPEED = 7  # first of PIECES mean velocities [m/s], upstream end first, each over DISTANCE / PIECES
PIECES = 5
STATES = SPEED + PIECES

# columns of a fish
LEAPS = 0  # 1 = leaps, 0 = does not
REQUIRED_DROP = 1  # the drop that stops a fish that does not leap [m]; NaN = none does
REQUIRED_DROP_LIP = 2  # the same where the crest has a lip [m]
LEAP = 3  # greatest rise it leaps [m]; NaN for those that do not
POOL_SHARE = 4  # depth of pool needed, as a share of the rise
POOL_LEAST = 5  # and at least this [m]
DEPTH_LEAST = 6  # depth of water it needs to swim [m]
VELOCITY_SHARE = 7  # share of the mean velocity that it meets where it swims
WARMTH = 8  # change of prolonged speeds per degree, as a share
WARMTH_AT = 9  # temperature the speeds are given for [deg C]
PROLONGED_A = 10  # ln T [s] = A + B U, U [m/s] between FROM and TO
PROLONGED_B = 11
PROLONGED_FROM = 12  # speeds up to here are held without end
PROLONGED_TO = 13
BURST_A = 14
BURST_B = 15
BURST_FROM = 16
BURST_TO = 17  # the fastest it swims
WAIT_DAYS = 18  # days it waits below for a chance
TRAITS = 19

# why a fish does not get past on a day
PASSES, BY_DROP, BY_LEAP, BY_POOL, BY_DEPTH, BY_VELOCITY = 0, 1, 2, 3, 4, 5
REASONS = 6
