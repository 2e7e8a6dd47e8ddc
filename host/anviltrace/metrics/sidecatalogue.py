"""The metrics of what was recorded beside the torque. A run without the channels they need has them not."""

from __future__ import annotations

from anviltrace.metrics.entry import HELD_RIGS, Group, Metric, Need, Source

_SENSOR = "scale and zero of the channel, as stated for its sensor (common to all runs with it)"
_CLOCK = "clock of the channel against that of the torque"
_WINDOW = "the drive window (from time zero to the planned end or the start of the last blow)"
_ENDS = "what changes at the ends of the stretch, seen to a sample of the channel"
_ENERGY = f"{_SENSOR}, of voltage and current each; noise; {_ENDS}; {_CLOCK}; missing samples."
_SHAKEN = (
    f"{_SENSOR}; {_CLOCK}; missing samples; what was there at rest is a bound beside it. Not in it: grip, "
    "posture, mounting of the sensor"
)
_BLOWS = f"{_SENSOR}; {_CLOCK}, and half a sample; scatter of the blows over √n."
_ISO = (
    "Frequency weighting Wh of ISO 5349-1 with the exact parameters of ISO 8041-1 (6.3 to 1250 Hz; exact at "
    "all frequencies below half the sampling rate, which must be 3037 a second at least)"
)
_DAY = (
    "The time a tool strikes in one run is no day's exposure: `anviltrace exposure` works that out from the "
    "minutes a day of each task."
)
_BOTH = (Need.VOLTAGE, Need.CURRENT)

BESIDE = (
    Metric(
        name="supply_open",
        label="open-circuit voltage",
        unit="V",
        definition="Voltage of the supply before the tool is switched on.",
        computed=(
            "Median from the beginning of the channel to 20 ms before the tool is switched on, which current "
            "or else voltage show by a tenth of their change."
        ),
        uncertainty=f"{_SENSOR}; scatter of blocks, step of the channel.",
        needs=(Need.VOLTAGE, Need.BEFORE_ON),
        group=Group.SUPPLY,
        torque=False,
    ),
    Metric(
        name="supply_loaded",
        label="loaded voltage",
        unit="V",
        definition="Median voltage of the supply while the tool strikes.",
        computed=f"Median over {_WINDOW}.",
        uncertainty=f"{_SENSOR}; scatter of blocks; {_CLOCK}; missing samples.",
        needs=(Need.VOLTAGE,),
        group=Group.SUPPLY,
        torque=False,
    ),
    Metric(
        name="supply_lowest",
        label="lowest voltage",
        unit="V",
        definition="Lowest voltage from the tool being switched on to the end of the drive window.",
        computed="Lowest sample. Dips shorter than the time between samples are not seen.",
        uncertainty=(
            f"{_SENSOR}; noise of a sample; how far noise may pull the lowest of n samples down, √(2·ln n) "
            "standard deviations, is a bound beside it."
        ),
        needs=(Need.VOLTAGE,),
        group=Group.SUPPLY,
        torque=False,
    ),
    Metric(
        name="supply_sag",
        label="sag",
        unit="%",
        definition="100·(open-circuit voltage − loaded voltage)/open-circuit voltage.",
        computed="From the two, without rounding.",
        uncertainty="zero of the channel, scatter of both, missing samples; the scale cancels.",
        needs=(Need.VOLTAGE, Need.BEFORE_ON),
        group=Group.SUPPLY,
        torque=False,
    ),
    Metric(
        name="supply_resistance",
        label="inner resistance",
        unit="mΩ",
        definition=(
            "Slope of voltage over current, −dV/dI, of all between the point where the voltage is measured "
            "and the source; without what creeps in with the charge drawn (a pack that tires, polarisation)."
        ),
        computed=(
            "Least squares of V = V0 − R·I − s·Q over means of 20 ms or more from before switching on, Q the "
            "charge drawn. Refused where the current varies by less than a fifth of its largest."
        ),
        uncertainty=(
            "scatter around the line, widened where neighbours go together; scales of both channels; noise "
            "of the current; the clocks of both against each other."
        ),
        needs=(*_BOTH, Need.BEFORE_ON),
        group=Group.SUPPLY,
        source=Source.DERIVED,
        torque=False,
    ),
    Metric(
        name="current_mean",
        label="mean current",
        unit="A",
        definition=f"Time mean of the supply current over {_WINDOW}.",
        computed="Trapezoid rule over the window, divided by its length.",
        uncertainty=f"{_SENSOR}; noise; {_ENDS}; {_CLOCK}; missing samples.",
        needs=(Need.CURRENT,),
        group=Group.SUPPLY,
        torque=False,
    ),
    Metric(
        name="current_peak",
        label="peak current",
        unit="A",
        definition="Largest current from the tool being switched on to the end of the drive window.",
        computed="Largest sample. Peaks shorter than the time between samples are not seen.",
        uncertainty=f"{_SENSOR}; noise of a sample; what it may add to a largest one is a bound beside it.",
        needs=(Need.CURRENT,),
        group=Group.SUPPLY,
        torque=False,
    ),
    Metric(
        name="power_mean",
        label="mean power drawn",
        unit="W",
        definition=f"Time mean of voltage times current over {_WINDOW}.",
        computed="Product at the samples of the faster channel, trapezoid rule.",
        uncertainty=_ENERGY,
        needs=_BOTH,
        group=Group.SUPPLY,
        torque=False,
    ),
    Metric(
        name="energy_run",
        label="energy of the run",
        unit="J",
        definition="Energy drawn from the tool being switched on to its being switched off.",
        computed=(
            "Time integral of voltage times current, as long as the current is above a tenth of its usual, "
            "and two samples more at either end."
        ),
        uncertainty=_ENERGY,
        needs=(*_BOTH, Need.BEFORE_ON),
        group=Group.SUPPLY,
        torque=False,
    ),
    Metric(
        name="energy_run_wh",
        label="energy of the run",
        unit="Wh",
        definition="Energy drawn from the tool being switched on to its being switched off.",
        computed="The same in watt-hours: divided by 3600.",
        uncertainty=_ENERGY,
        needs=(*_BOTH, Need.BEFORE_ON),
        group=Group.SUPPLY,
        torque=False,
    ),
    Metric(
        name="energy_per_blow",
        label="energy drawn per blow",
        unit="J",
        definition="Energy drawn between the first and the last blow of the drive window, for each blow.",
        computed="Time integral of voltage times current over the number of intervals; doubles count once.",
        uncertainty=_ENERGY,
        needs=(*_BOTH, Need.BLOWS),
        group=Group.SUPPLY,
        source=Source.OWN,
        torque=False,
    ),
    Metric(
        name="energy_per_nm",
        label="energy drawn per torque gained",
        unit="J/(N·m)",
        definition=(
            "Energy drawn up to the end of the drive window over the retained torque the joint gained: the "
            "final one less what a preset joint began with."
        ),
        computed="Time integral of voltage times current from switching on, over that gain.",
        uncertainty=f"{_ENERGY[:-1]}; that of the retained torque.",
        needs=(*_BOTH, Need.BEFORE_ON, Need.RETAINED),
        group=Group.SUPPLY,
        source=Source.OWN,
        rigs=HELD_RIGS,
        climbing=True,
    ),
    Metric(
        name="trigger_time",
        label="trigger held",
        unit="s",
        definition=f"How long the trigger was held in this run. {_DAY}",
        computed="Time above the middle between the extremes of the channel.",
        uncertainty="both ends to one sample.",
        needs=(Need.TRIGGER,),
        group=Group.SUPPLY,
        torque=False,
    ),
    *(
        Metric(
            name=f"vibration_{axis}",
            label=f"weighted acceleration {axis}",
            unit="m/s²",
            definition=f"Frequency-weighted r.m.s. acceleration of the handle along its {axis} axis, a_hw.",
            computed=f"{_ISO}; r.m.s. over {_WINDOW}.",
            uncertainty=f"{_SHAKEN}.",
            needs=(Need.AXIS,),
            group=Group.HANDLE,
            torque=False,
        )
        for axis in "xyz"
    ),
    Metric(
        name="vibration_total",
        label="vibration total value",
        unit="m/s²",
        definition=(
            "Root of the sum of squares of the three weighted axes, a_hv (ISO 5349-1, Directive 2002/44/EC). "
            "Both hands are to be measured, and the higher value taken. This is no type test (ISO 28927-2)."
        ),
        computed=f"{_ISO}; r.m.s. over {_WINDOW}.",
        uncertainty=(
            f"{_SHAKEN} (ISO 5349-2 speaks of 20 to 40 %, from memory). The axes may all be off the same "
            "way, so theirs are added without squares."
        ),
        needs=(Need.AXES,),
        group=Group.HANDLE,
        torque=False,
    ),
    Metric(
        name="exposure_points",
        label="exposure points an hour",
        unit="1/h",
        definition=(
            "Points that an hour of this vibration counts; points of a day add up, 100 are the action value "
            f"and 400 the limit value (HSE). {_DAY}"
        ),
        computed="2·a_hv² for an hour.",
        uncertainty="twice the relative one of the vibration total value.",
        needs=(Need.AXES,),
        group=Group.HANDLE,
        torque=False,
    ),
    Metric(
        name="time_to_action",
        label="time to the action value",
        unit="min",
        definition=(
            "Minutes a day of this vibration, and no other, until the daily exposure A(8) is 2.5 m/s², the "
            f"exposure action value of Directive 2002/44/EC. {_DAY}"
        ),
        computed="8 h·(2.5 m/s²/a_hv)².",
        uncertainty="twice the relative one of the vibration total value.",
        needs=(Need.AXES,),
        group=Group.HANDLE,
        torque=False,
    ),
    Metric(
        name="time_to_limit",
        label="time to the limit value",
        unit="min",
        definition=(
            "Minutes a day of this vibration, and no other, until the daily exposure A(8) is 5 m/s², the "
            f"exposure limit value of Directive 2002/44/EC. {_DAY}"
        ),
        computed="8 h·(5 m/s²/a_hv)².",
        uncertainty="twice the relative one of the vibration total value.",
        needs=(Need.AXES,),
        group=Group.HANDLE,
        torque=False,
    ),
    Metric(
        name="handle_peak",
        label="peak acceleration of the handle",
        unit="m/s²",
        definition=(
            "Reaction at the handle: mean over the blows of the largest acceleration, of all axes together, "
            "from one blow to the next. What it felt like stands apart, as an opinion."
        ),
        computed="Length of the vector, band-limited to 6.3 to 1250 Hz as in ISO 8041-1, not weighted.",
        uncertainty=_BLOWS,
        needs=(Need.AXES, Need.BLOWS),
        group=Group.HANDLE,
        source=Source.OWN,
        torque=False,
    ),
    Metric(
        name="handle_swing",
        label="swing of the handle per blow",
        unit="m/s",
        definition=(
            "Reaction at the handle: mean over the blows of the largest change of its velocity from one blow "
            "to the next, that is its impulse for each kilogram that moves."
        ),
        computed=(
            "Time integral of the acceleration less its mean over the interval, so that the velocity ends as "
            "it began; largest length of the vector."
        ),
        uncertainty=_BLOWS,
        needs=(Need.AXES, Need.BLOWS),
        group=Group.HANDLE,
        source=Source.OWN,
        torque=False,
    ),
    Metric(
        name="handle_turn",
        label="turn of the handle per blow",
        unit="°",
        definition=(
            "Reaction at the handle: mean over the blows of the largest angle by which it turns between a "
            "blow and the next."
        ),
        computed="Time integral of the rate of rotation less its mean over the interval.",
        uncertainty=_BLOWS,
        needs=(Need.ROTATION, Need.BLOWS),
        group=Group.HANDLE,
        source=Source.OWN,
        torque=False,
    ),
)
