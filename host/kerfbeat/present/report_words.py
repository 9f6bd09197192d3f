"""What does every report say: how the numbers were got, what the ± means, what to beware of?"""

from kerfbeat.present.report_content import Block, Facts, Points, Section, Words

__all__ = ["CAUTIONS", "FOOT", "closing_sections"]

FOOT = "An indicator, not a safety device."
CAUTIONS = (
    'Kerfbeat is an indicator, never a safety device: do not stop, start, interlock or guard anything with it. "No '
    'pulses" does not mean that the blade stands still.',
    "Isolate and lock out before opening a guard or reaching towards a blade, wheel or belt. Put all guards back "
    "before running.",
    "An inverter stays live after it is switched off: wait the time on its label, then measure. Mains and inverter "
    "wiring is work for a qualified electrician.",
    "Overspeed bursts pulleys and throws blades: the makers' limits for motor, pulley, wheel and blade come before "
    "any number printed here.",
    "This report judges only the running that was recorded, as far as sensors watched it; what they cannot show is "
    "said where it matters. It is no inspection of the machine.",
)
METHODS = (
    (
        "speed",
        "Sensors count targets on turning shafts, and a board's timer gives each pulse its time. Speed is whole "
        "turns over the time they took, so that unevenly spaced targets do not matter; stops and stretches with "
        "lost pulses count neither as turns nor as time. Blade speed by the wheel is pi (D + t) times its turns, D "
        "the wheel's diameter and t the blade's thickness; by the blade's own mark it is the blade's length times "
        "its passes.",
    ),
    (
        "predicted band",
        "Where a healthy machine should be found at the marked setting: from the motor's nameplate, the ratios of "
        "belts and gears and the wheel, between no load and full load, with the usual creep of belts and the doubt "
        "about diameters.",
    ),
    (
        "slip",
        "How far a driven shaft falls behind its driver, against idle running at the same belt position and gear: "
        "there it is zero by choice, so that the doubt about pulley diameters falls out. A healthy belt creeps in "
        "proportion to its load. Slip beyond that is an event when its sum passes a limit (a cumulative-sum test), "
        "so that single uneven pulses, lumps and wobble do not raise an alarm; a loss of pulses is never read as "
        "slip.",
    ),
    (
        "load",
        "From how far the motor falls behind its idle speed, on the nameplate's scale of full-load slip.",
    ),
    (
        "cuts",
        "Those that were marked, each against the idle running before it.",
    ),
    (
        "drift",
        "Averages over whole turns at the setting held longest, outside the marked cuts, fitted with a steady "
        "speed, a trend and a warm-up; the simplest that suffices is told. The scatter of averages "
        "(Allan deviation) tells how much two "
        "averages that follow one another differ.",
    ),
    (
        "orders",
        "Speed resampled over the shaft's turns and split into waves. A wave that stands out of the noise is named "
        "by what turns at its rate in the machine's description.",
    ),
    (
        "comparison",
        "Steady idle running at the same setting before and after. A difference is called sure if chance alone "
        "would make any of all the differences looked at so large in less than 5 of 100 cases (Holm's correction).",
    ),
)
UNCERTAINTY = (
    "The number after ± is the half-width of the 95 % interval: in 95 of 100 such measurements the true value lies "
    "within it. It holds what is known to disturb the number: the timing of pulses, the scatter of the running, the "
    "board's clock, and the size of the wheel, for which a described one is taken to be right to a stated part. What "
    "it does not hold is said beside the number. Slip and drop are told no finer than 0.01 %: where a cut begins and "
    "ends matters as much."
)


def closing_sections(*, compared: bool) -> tuple[Section, ...]:
    """How the numbers were got, what the ± means, and the cautions."""
    methods = tuple(row for row in METHODS if compared or row[0] != "comparison")
    blocks: tuple[Block, ...] = (Facts(rows=methods),)
    return (
        Section(title="How the numbers were got", blocks=blocks),
        Section(title="What the ± means", blocks=(Words(text=UNCERTAINTY),)),
        Section(title="Cautions", blocks=(Points(lead="", lines=CAUTIONS),)),
    )
