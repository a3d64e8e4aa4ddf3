"""A kitchen-table bench: two invented motors and a controller, measured with what a hobby workshop owns.

A 30 V supply with a display, one handheld multimeter, an oscilloscope of two channels, a logic analyser of eight, a
tachometer held in the hand, a luggage scale on a lever and a stopwatch. The files are as such instruments and hands
write them. What is true comes from `tests.simulation.independent` (machine, bridge and heat solved in time) and from
books; nothing here knows how the program fits.
"""
