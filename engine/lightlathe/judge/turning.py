"""Angular sampling: how many images a turn needs, and how far the vial turns during one."""

import math

VIDEO_RATE = 60.0  # images per second that any video projector shows (common practice, no source)
FAST_TURN_S = 1.0  # faster, resin is stirred (common practice, no source)


def views_per_turn(columns: int) -> int:
    """Views over 360 deg that sample as finely along the rim as across: pi * columns, rounded up.

    columns    those that the part's shadow covers

    Source: sampling rule of parallel-beam tomography, Kak & Slaney, Principles of Computerized Tomographic Imaging
    (1988) ch. 5. With absorption opposite views differ, so a full turn needs twice as many. The same as the bow-tie
    condition N = pi D / d for details of d in a diameter D: R. A. Crowther, D. J. DeRosier, A. Klug, Proc. R. Soc. A
    317 (1970) 319 (from memory).
    """
    return math.ceil(math.pi * columns)


def smear_mm(radius_mm: float, rad_per_s: float, images_per_s: float) -> float:
    """Path of a point at `radius_mm` during one image: r omega / f."""
    return radius_mm * rad_per_s / images_per_s


def contrast_left(smear_mm: float, line_mm: float) -> float:
    """Share of its contrast that a pattern of lines, each `line_mm` wide and as far apart, keeps when it is smeared.

    Of its first harmonic: |sin(pi f w) / (pi f w)| with f = 1 / (2 line_mm) and w the smear.
    Source: transfer function of linear motion, e.g. G. D. Boreman, Modulation Transfer Function in Optical and
    Electro-Optical Systems (2001), from memory.
    """
    x = math.pi * smear_mm / (2 * line_mm)
    return abs(math.sin(x) / x) if x > 0 else 1.0
