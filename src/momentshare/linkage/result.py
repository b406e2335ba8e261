"""The answer for a linkage, with names and units."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare.results import ReadOnly, places, take_frames
from momentshare.sharing import Status

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from momentshare.linkage.fibres import Fibres
    from momentshare.linkage.lines import LinkagePaths
    from momentshare.linkage.pose import LinkagePoses
    from momentshare.linkage.schema import Linkage
    from momentshare.muscle.curves import CurveName
    from momentshare.sharing import Sharing

    Floats = NDArray[np.float64]

__all__ = ["LinkageResult"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LinkageResult(ReadOnly):
    """What every head of a linkage does, frame by frame; NaN where there is no posture.

    Attributes
    ----------
    linkage : Linkage
    curves : str
        Set of curves that the capacity follows.
    time : float array, shape (frames,), or None
        [s]; None where each frame is held still.
    angles : float array, shape (frames, rows)
        [rad].
    poses : LinkagePoses
        Where the bodies are.
    paths : LinkagePaths
        Lengths and moment arms.
    fibres : Fibres
        Capacity, passive force and fibre lengths.
    moments : float array, shape (frames, rows)
        Net moments [N·m], all rows, balanced or not.
    joint_force : float array, shape (frames, joints, 3)
        Net force across each joint on what lies beyond it [N], ground frame, the pull of the heads
        not counted; NaN where net moments were given.
    posed : bool array, shape (frames,)
    sharing : Sharing
        Balanced rows only.

    Examples
    --------
    >>> import numpy as np
    >>> from momentshare import load_linkage, solve_linkage
    >>> time = np.arange(51) / 50.0
    >>> curl = {"elbow_flexion": np.radians(60.0 - 40.0 * np.cos(2.0 * np.pi * time))}
    >>> result = solve_linkage(load_linkage("textbook_arm"), curl, rate=50.0)
    >>> result
    LinkageResult('textbook_arm', frames=51, timed, solved=51)
    >>> result.row_table().columns[2:5].tolist()
    ['row', 'angle_deg', 'moment_nm']
    >>> result[10], result.to_dict()["data_vars"]["angles"]["attrs"]["units"]
    (LinkageResult('textbook_arm', frames=1, timed, solved=1), 'rad')
    """

    linkage: Linkage
    curves: CurveName
    time: Floats | None
    angles: Floats
    poses: LinkagePoses
    paths: LinkagePaths
    fibres: Fibres
    moments: Floats
    joint_force: Floats
    posed: NDArray[np.bool_]
    sharing: Sharing

    def __repr__(self) -> str:
        timed = "held still" if self.time is None else "timed"
        codes, counts = np.unique(self.sharing.status, return_counts=True)
        told = ", ".join(
            f"{Status(int(code)).name.lower()}={count}"
            for code, count in zip(codes, counts, strict=True)
        )
        return f"LinkageResult({self.linkage.name!r}, frames={len(self.angles)}, {timed}, {told})"

    def __getitem__(self, key: Any) -> LinkageResult:
        """Answers of some frames: an index, which keeps one frame, a slice or a mask."""
        frames = places(key, len(self.angles))
        taken = take_frames(self, frames, whole=("linkage", "fibres", "sharing"))
        kept = ("greatest", "volume")
        fibres = take_frames(self.fibres, frames, whole=kept)
        return replace(taken, fibres=fibres, sharing=self.sharing[frames])

    @property
    def activation(self) -> Floats:
        """Activation, 0 to 1, shape (frames, heads)."""
        return self.sharing.activation

    @property
    def force(self) -> Floats:
        """Active and passive force [N], shape (frames, heads)."""
        return self.sharing.force

    @property
    def contact(self) -> Floats:
        """Force of each joint on what lies beyond it [N], shape (frames, joints, 3).

        Ground frame, the pull of the heads counted. NaN at a joint where the arm of a head comes
        from a table, since nothing is known of its direction there.
        """
        pull = np.einsum("fh,fjhk->fjk", self.force, self.paths.pull)
        return np.asarray(self.joint_force - pull)

    @property
    def status(self) -> NDArray[np.object_]:
        """Status of every frame in words; ``no posture`` where an angle or moment is not known."""
        return np.where(self.posed, self.sharing.status_text.astype(object), "no posture")

    @property
    def unmet(self) -> Floats:
        """Unmet moment of every row [N·m], shape (frames, rows); NaN where not balanced."""
        return self._spread(self.sharing.unmet)

    def _spread(self, values: Floats) -> Floats:
        """Put values of balanced rows among all rows."""
        out = np.full(self.angles.shape, np.nan)
        out[:, np.array(self.linkage.balanced)] = values
        return out

    @property
    def path_length(self) -> Floats:
        """Path length [m], shape (frames, heads); NaN for a head with tables of arms."""
        tabled = np.array([bool(head.arms) for head in self.linkage.heads])
        return np.where(tabled, np.nan, self.paths.length)

    def to_dict(self) -> dict[str, Any]:
        """Everything with its unit and the names of its axes, as plain Python values.

        In the layout that ``xarray.Dataset.from_dict`` reads, as
        :meth:`momentshare.sharing.Sharing.to_dict`, and with ``time``, ``posed``, ``angles``,
        ``net_moments`` (all rows, in the order of ``net_row``), ``capacity``, ``passive_force``,
        ``path_length``, ``fibre_length``, ``fibre_velocity``, ``moment_arms``, ``joint_force`` and
        ``contact`` besides; NaN where there is no posture.
        """
        from momentshare.linkage.labels import labelled_linkage

        return labelled_linkage(self)

    def to_json(self) -> str:
        """Give the text of `to_dict` in strict JSON; NaN reads null, infinity ``"inf"``."""
        from momentshare.sharing._labelled import labelled_json

        return labelled_json(self.to_dict())

    def head_table(self) -> pd.DataFrame:
        """One row a frame and head.

        ``frame``, ``time_s`` (NaN when held still), ``head``, ``activation`` (0 to 1), ``force_n``,
        ``passive_force_n``, ``capacity_n`` (greatest active force here), ``fibre_length`` and
        ``fibre_velocity`` (normalised, lengthening positive), ``path_length_m``, ``on_surface``,
        ``status``, and ``arm_<row>_m`` for every row.
        """
        import pandas as pd

        frames, heads = self.force.shape

        def flat(values: Floats) -> Floats:
            return np.where(self.posed[:, None], values, np.nan).ravel()

        arms = self.paths.moment_arms
        columns: dict[str, object] = {
            **self._frames(heads),
            "head": np.tile(np.array(self.linkage.head_names, dtype=object), frames),
            "activation": self.activation.ravel(),
            "force_n": self.force.ravel(),
            "passive_force_n": flat(self.fibres.passive),
            "capacity_n": flat(self.fibres.capacity),
            "fibre_length": flat(self.fibres.fibre_length),
            "fibre_velocity": flat(self.fibres.fibre_velocity),
            "path_length_m": flat(self.path_length),
            "on_surface": (self.paths.contact & self.posed[:, None]).ravel(),
            "status": np.repeat(self.status, heads),
        }
        columns |= {
            f"arm_{row}_m": flat(arms[:, k]) for k, row in enumerate(self.linkage.row_names)
        }
        return pd.DataFrame(columns)

    def row_table(self) -> pd.DataFrame:
        """One row a frame and row of the moment.

        ``frame``, ``time_s``, ``row``, ``angle_deg``, ``moment_nm`` (net, what the heads have to
        supply), ``balanced``, ``unmet_nm`` and ``multiplier_per_nm`` (NaN where not balanced), and
        ``within_limits``: whether the angle keeps to the limits of ``rows.csv``.
        """
        import pandas as pd

        rows = len(self.linkage.rows)
        frames = len(self.angles)
        balanced = np.array(self.linkage.balanced)

        low, high = (
            np.array([getattr(r, end) for r in self.linkage.rows]) for end in ("low", "high")
        )
        return pd.DataFrame(
            {
                **self._frames(rows),
                "row": np.tile(np.array(self.linkage.row_names, dtype=object), frames),
                "angle_deg": np.degrees(self.angles).ravel(),
                "moment_nm": self.moments.ravel(),
                "balanced": np.tile(balanced, frames),
                "unmet_nm": self.unmet.ravel(),
                "multiplier_per_nm": self._spread(self.sharing.multipliers).ravel(),
                "within_limits": ((self.angles >= low) & (self.angles <= high)).ravel(),
                "status": np.repeat(self.status, rows),
            }
        )

    def joint_table(self) -> pd.DataFrame:
        """One row a frame and joint: force on what lies beyond it [N], ground frame.

        ``net_force_…_n`` without the pull of the heads, ``contact_force_…_n`` with it.
        """
        import pandas as pd

        joints = [joint.name for joint in self.linkage.joints]
        columns: dict[str, object] = {
            **self._frames(len(joints)),
            "joint": np.tile(np.array(joints, dtype=object), len(self.angles)),
        }
        for name, values in (("net", self.joint_force), ("contact", self.contact)):
            columns |= {f"{name}_force_{a}_n": values[..., k].ravel() for k, a in enumerate("xyz")}
        return pd.DataFrame(columns)

    def _frames(self, times: int) -> dict[str, object]:
        frames = len(self.angles)
        time = np.full(frames, np.nan) if self.time is None else self.time
        return {"frame": np.repeat(np.arange(frames), times), "time_s": np.repeat(time, times)}
