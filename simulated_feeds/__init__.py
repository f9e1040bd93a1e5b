"""An invented grower's home with a known truth, and the sensors, notes and messages that come out of it.

What is simulated: shelf air by minutes (day, season, weather, heating, sun, lamps, heat mats, draught); each pot as a
column of 40 cells with retention and conductivity of its own medium, layers, mixes and grain sizes; vapour diffusion
through dry cells with evaporation where it occurs, stirred near the surface by moving air; air film, cooling by
evaporation, warmth from lamp, sun, mat and pot wall; covers of pebbles (on top or replacing medium) and of porous
stones (which wick); side vents at their height; open water in the gap; a wick with head loss and failure; uptake by
roots from moist cells, by night or by day; higher lifting for some days after a flush; the reservoir with its fill
mark; a grower who comes on weekdays, slips a little with the can, and notes what can be seen; sensors as they are.

What is not: anything across the pot (walls that dry the rim first), tapering pots, heat along the column (two
temperatures a pot: its front and its body), salts, roots that grow into other depths, air pressed through a pot by
wind, water on leaves, shelves that influence each other, and neighbours that moisten each other's air. Hysteresis is
one number a pot that fades after a flush.

The *true dry depth* is defined once, in `column.dry_depth_mm`: the distance from the top of all that wicks down to
where water held by the grains first reaches 6 % of what they can hold, linear between cell middles (`tests` hold its
grid error).

Spread between pots of one mix, as log-sd: height that lifts 1 mm a day about 0.33 (of it 0.08 shared by all pots of a
world), vapour diffusivity 0.2, air film 0.15, wick 0.3, plant 0.6 (`zoo`). Settled dry depths of a bare pot of medium
grain, 22 degC, gentle air, no plant, in mm for VPD 0.2 / 0.8 / 1.8 kPa, surface 104 mm above the water: expanded clay
11 / 25 / 34, lava rock 0 / 11 / 18, pumice 0 / 7 / 16, porous ceramic 0 / 0 / 6, perlite 0 / 0 / 4.

All of this is invented; it is no evidence about any real pot.
"""
