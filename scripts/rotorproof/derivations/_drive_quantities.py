"""What a pair of motor and controller, and a controller on a pack, are judged by beside the prediction, as facts."""

from __future__ import annotations

from ..procedures.base import Quantity

_SOURCE = "definition"

PAIR = (
    Quantity(
        "commutation_match",
        "Commutation match",
        "c_m",
        "number",
        "1",
        "mean torque of the controller's commutation table on the motor's sensors, wires as connected, over that of "
        "the table the sensors ask for, with a sinusoidal EMF: 1 forward, −1 backward, 0.5 and −0.5 sixty degrees off",
        "power balance: torque per ampere is EMF over speed; mean of a sine over sixty degrees",
        least=-1.0,
        most=1.0,
    ),
    Quantity(
        "wires_to_move",
        "Wires to move",
        "N_w",
        "number",
        "1",
        "smallest number of phase and sensor wires that must change places so that the pair runs forward with full "
        "torque",
        "all 36 connections tried",
        least=0.0,
    ),
    Quantity(
        "sensor_spacing_mismatch",
        "Sensor spacing mismatch",
        "da_H",
        "angle",
        "deg",
        "spacing of the motor's sensors less that of the set the controller's table is for, without sign",
        _SOURCE,
        least=0.0,
    ),
    Quantity(
        "current_limit_ratio",
        "Current limit over continuous current",
        "k_I",
        "ratio",
        "1",
        "phase current limit of the controller over the continuous current of the motor: above 1 the controller can "
        "overheat the motor, in a time that falls with the square",
        "definition; IEC 60034-1 for continuous duty",
        least=0.0,
    ),
    Quantity(
        "dead_time_share",
        "Dead time share",
        "d_t",
        "ratio",
        "percent",
        "shortest dead time times switching frequency: the share of a switching period lost at each change of a leg",
        "definition",
        least=0.0,
        most=1.0,
    ),
)

ON_PACK = (
    Quantity(
        "start_margin_nominal",
        "Start margin, nominal pack",
        "dU_st",
        "voltage",
        "V",
        "nominal pack voltage less the controller's start voltage: below zero the drive does not start",
        _SOURCE,
        no_bound="a difference, which tells by its sign",
    ),
    Quantity(
        "start_margin_empty",
        "Start margin, empty pack",
        "dU_st,e",
        "voltage",
        "V",
        "voltage of the empty pack less the controller's start voltage: below zero it does not start again on the last "
        "of the charge",
        _SOURCE,
        no_bound="a difference, which tells by its sign",
    ),
    Quantity(
        "overvoltage_margin",
        "Overvoltage margin",
        "dU_ov",
        "voltage",
        "V",
        "the controller's overvoltage cut-off less the voltage of the full pack: below zero the drive stops on a fresh "
        "charge",
        _SOURCE,
        no_bound="a difference, which tells by its sign",
    ),
    Quantity(
        "cutoff_margin",
        "Cut-off margin",
        "dU_off",
        "voltage",
        "V",
        "the controller's cut-off voltage less the voltage of the empty pack: below zero the controller lets the pack "
        "be discharged too deeply, far above zero it leaves charge unused",
        _SOURCE,
        remedy="set the cut-off to the pack if the controller allows it, else use a pack that protects itself",
        no_bound="a difference, which tells by its sign",
    ),
)
