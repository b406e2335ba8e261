"""Share joint moments among muscle heads, with proof.

To embed the solver, hand it arrays with any leading batch axes, SI units throughout.

>>> import numpy as np
>>> from momentshare.sharing import Status, share
>>> arms = np.array([[0.022, 0.022, 0.0], [-0.020, 0.0, 0.035]])  # (rows, heads) [m]
>>> capacity = np.array([800.0, 1000.0, 1200.0])  # (heads,) [N]
>>> moments = np.array([[20.0, 30.0], [10.0, 5.0], [90.0, 5.0]])  # (frames, rows) [N·m]
>>> answer = share(arms, capacity, moments)
>>> answer.force[0].round(1)
array([204. , 705.1, 973.7])
>>> [str(text) for text in answer.status_text]
['solved', 'solved', 'shortfall']
>>> bool((answer.certificate.stationarity < 1e-9).all())
True

``force`` is active plus passive force [N], ``multipliers`` the price of each row in
effort per N·m, ``unmet`` the moment that is missing [N·m]. A frame is ``solved``, ``shortfall``
(the moment cannot be met; the nearest one is) or ``uncertified`` (limited by rounding; the
certificate says by how much). Wrong input raises ``ShapeError`` before anything is computed. Calls
keep no state and release the interpreter lock, so they may run in several threads. Without numba
(``pip install momentshare``; the kernel comes with ``momentshare[fast]``) the same answers come
from NumPy, about six times slower. The first call on a machine compiles what it needs, two seconds
for p = 2 and up to thirty for everything else; later calls load it. If the installation and the
home folder are read-only, it is kept in a private folder below the system's temporary one; if that
is closed too, it is compiled in each process.

The names: ``share`` gives a ``Sharing`` with its ``Status`` and ``Certificate``; ``Solver``, for
streams and repeated batches, an ``Answer`` in arrays of its own; ``force_gradients`` gives
``Gradients``; ``greatest_factor`` a ``GreatestFactor`` and ``greatest_moment`` a
``GreatestMoment``. Inequalities are a ``Cone`` from ``contact_cone``, or arrays from
``cone_inequalities``.
"""

from momentshare.sharing._answer import Answer
from momentshare.sharing._cone import cone_inequalities, contact_cone
from momentshare.sharing._feasible import (
    GreatestFactor,
    GreatestMoment,
    greatest_factor,
    greatest_moment,
)
from momentshare.sharing._force_cone import Cone
from momentshare.sharing._gradients import Gradients, force_gradients
from momentshare.sharing._result import Certificate, Sharing, Status
from momentshare.sharing._share import share
from momentshare.sharing._solver import Solver

__all__ = [
    "Answer",
    "Certificate",
    "Cone",
    "Gradients",
    "GreatestFactor",
    "GreatestMoment",
    "Sharing",
    "Solver",
    "Status",
    "cone_inequalities",
    "contact_cone",
    "force_gradients",
    "greatest_factor",
    "greatest_moment",
    "share",
]
