"""A second bench, from first principles, to judge intervals by: it shares no formula with the program.

Rule: who changes anything here reads neither the program's physics nor its fits; formulae come from books, named
beside them.

    waveform, machine      EMF as a series, drag, heat, magnets, windings: what a motor and a controller are made of
    bridge, operating      six-step bridge and machine solved in time until periodic; points where torque and supply
    balance field_oriented         the same motor under sinusoidal currents, in two axes, with the modulation's
    voltage limit thermal                winding and housing
    vehicle                the truth on the pack and on the road
    definitions            true values of quantities, by definition
    draw                   motors, controllers, benches, vehicles at random
    instruments            gain, offset, hum, noise, steps of a display
    motor_session,         logs, unit.yaml and true values of one motor, of one controller
    controller_session
    study                  many of them; `python -m tests.simulation.independent --units 60 --seed 1 --out DIR`

`truth.json` holds for each unit and quantity a `value`; where magnets matter also `cold` and `hot`, the values with
magnets at the two temperatures of `at`; for friction a value by procedure (`no-load`, `coast-down`, with `_parabola`
where air drag is told apart). `field_oriented` holds the predictions were the drive a
sinusoidal one.

Not modelled: iron loss that grows with load, skin effect in the winding, currents in magnets, a controller's
regulation of current within a chopping period (its mean and the heat of its triangle are), the supply's ripple of 100
Hz, tyres and slip.
"""
