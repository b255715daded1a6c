"""Whether images last a whole number of the projector's frames."""

from lightlathe.feasibility.case import Case
from lightlathe.judge.verdict import Reason
from lightlathe.support.words import amount, any_of, count

REL_TOLERANCE = 1e-6  # of a frame's time: rates are stated to no more digits than that


def frames_per_plane(seconds_per_turn: float, angles: int, planes: int, frame_rate_hz: float) -> float:
    """How many frames of the projector each plane of an image lasts; each image has one plane unless it has one bit."""
    return seconds_per_turn * frame_rate_hz / (angles * planes)


def fitting_angles(seconds_per_turn: float, angles: int, planes: int, frame_rate_hz: float) -> int | None:
    """The number of images a turn nearest to `angles`, from half to one and a half of it, whose planes each last a
    whole number of frames in a turn of that time; None where there is none."""
    shown = seconds_per_turn * frame_rate_hz / planes  # planes of one frame in a turn
    whole = round(shown)
    if whole < 1 or abs(shown - whole) > REL_TOLERANCE:
        return None
    near = (count for away in range(angles // 2 + 1) for count in (angles - away, angles + away))
    return next((count for count in near if count >= 1 and whole % count == 0), None)


def fitting_seconds(seconds_per_turn: float, angles: int, planes: int, frame_rate_hz: float) -> float:
    """The time of a turn nearest to `seconds_per_turn` in which each plane lasts a whole number of frames."""
    frames = max(1, round(frames_per_plane(seconds_per_turn, angles, planes, frame_rate_hz)))
    return angles * planes * frames / frame_rate_hz


def timing(case: Case) -> Reason | None:
    """Frames of the projector that an image lasts; no question where the job does not state its frame rate."""
    rate, planes, turn = case.light.frame_rate_hz, case.light.planes, case.turn
    if rate is None:
        return None
    job = (turn.seconds_per_turn, turn.angles, planes, rate)
    frames = frames_per_plane(*job)
    one = "image" if planes == 1 else f"one-bit plane ({planes} an image)"
    text = (
        f"{count(turn.angles, 'image')} in {amount(turn.seconds_per_turn, 6)} s at {amount(rate, 6)} frames a second: "
        f"each {one} lasts {amount(1000 * turn.dwell_s / planes, 4)} ms or {amount(frames, 5)} frames"
    )
    nearest = max(1, round(frames))
    if abs(frames - nearest) <= REL_TOLERANCE * nearest:
        return Reason("timing", "will work", f"{text}.", frames, float(nearest), "frames")
    short = "shorter than the projector shows any" if frames < 1 else "so some last a frame longer than others"
    angles = fitting_angles(*job)
    changes = [] if angles is None else [f"angles = {angles}"]
    changes.append(f"seconds_per_turn = {fitting_seconds(*job):.9g}")
    return Reason("timing", "marginal", f"{text}: {short}.", frames, float(nearest), "frames", f"{any_of(changes)}.")
