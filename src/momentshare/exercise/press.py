"""Presses on the bench, with a bar or with dumbbells.

The trunk lies on a bench; its angle turns gravity in the sagittal plane of the thorax. Four
conditions close the chain at every height of the hand:

- the hand is at its spacing from the midline and at its height above the shoulder;
- the upper arm is at the tuck angle from the trunk, or the hand where the bar path puts it;
- the forearm leans by the tilt angle out of the vertical plane across the body;
- upper arm and forearm keep their lengths.

With the upper arm at tuck e from the trunk, its direction is
``-cos e · Y + sin e (cos α · Z - sin α · X)``; α (0 to the side, positive behind) is the only
unknown left, and the elbow is the solution on the outer side of the line from shoulder to hand.
Along a bar path the same holds with the horizontal towards the head in place of Y and the vertical
in place of X: a hand d towards the feet from the joint and tilt t make cos e = (d + forearm sin t)
/ upper arm.

Bar and chest stay with the trunk while the joint moves with the girdle: heights and touch points
are measured from where the joint is with the arm hanging, the place at lock-out from where it is at
lock-out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from momentshare.errors import MomentshareError
from momentshare.exercise.press_course import press_courses, press_lifts
from momentshare.exercise.press_plan import PressPlan

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray

    from momentshare.exercise.chain import Chain
    from momentshare.exercise.lift import Lift
    from momentshare.skeleton import Skeleton

__all__ = ["BenchPress"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchPress(PressPlan):
    """One way of pressing; SI and radians.

    Parameters
    ----------
    load_mass : float
        Whole load, both hands [kg].
    spacing : Profile
        Distance between the grips [m].
    tuck : Profile, optional
        Upper arm from the trunk [rad]; by default it follows from the bar path.
    tilt : Profile
        Forearm out of the vertical plane across the body, positive when the hand is nearer the
        head than the elbow [rad].
    path : BarPath, optional
        Path of the hands in the sagittal plane where no tuck is given; by default from a forearm
        upright on the chest to a place above the shoulder joint.
    protraction, shrug : Profile, optional
        Protraction and elevation of the clavicle that the lifter adds [rad]; by default the
        model's: shoulder blades pulled together on the chest and partly released towards lock-out.
    bench_angle : float
        0 flat, positive with the head up (incline) [rad].
    implement : {"bar", "dumbbells"}
        A rigid bar lets the hands push along it; dumbbells do not.
    grip : {"pronated", "neutral"}
        Thumbs towards each other, or towards the head.
    chest_height, lockout_height : float, optional
        Height of the grip above the shoulder joint centre [m]; by default the chest surface,
        on a bar path at the touch point, and the height where the elbow reaches
        ``lockout_flexion``.
    lockout_flexion : float
        Elbow flexion at lock-out [rad].
    duration : float, optional
        Time from chest to lock-out [s], along a minimum-jerk curve (Flash and Hogan 1985,
        from memory); quasi-static when not given.
    frames : int

    Raises
    ------
    InputError
        A load, size or angle out of range, a tuck and a path together, naming field and value.

    Examples
    --------
    >>> from momentshare import BenchPress, Person, Profile, build_limb, load_model
    >>> ada = Person(name="Ada", sex="female", stature=1.66, body_mass=62.0)
    >>> limb = build_limb(ada, load_model())
    >>> press = BenchPress(load_mass=20.0, spacing=Profile.constant(0.5), frames=5)
    >>> lift = press.lift(limb.skeleton)
    >>> lift.hand.shape, bool(lift.reachable.all()), lift.lateral_free
    ((5, 3), True, True)
    """

    def lift(self, skeleton: Skeleton) -> Lift:
        """Solve the posture of every frame.

        Raises
        ------
        PostureError
            When no height between chest and lock-out can be reached.
        """
        (found,) = press_lifts([self], skeleton)
        if isinstance(found, MomentshareError):
            raise found
        return found

    def course(
        self, skeleton: Skeleton
    ) -> tuple[float, float, tuple[str, ...], Callable[[NDArray[np.float64]], Chain]]:
        """Heights of chest and lock-out [m], notes, and the chain as a function of the fraction."""
        courses, faults = press_courses([self], skeleton)
        for err in faults.values():
            raise err
        return float(courses.low[0]), float(courses.high[0]), courses.notes[0], courses.chains
