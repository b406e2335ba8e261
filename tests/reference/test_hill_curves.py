"""Curves of De Groote et al. 2016 against SymPy 1.14 (read: sympy.physics.biomechanics).

SymPy carries the published constants in ``with_defaults``. The printed values were run with
SymPy 1.14.0 and are given to five decimals, so they are compared to half of the last one.
"""

import numpy as np
import pytest
import sympy
from sympy.physics.biomechanics import (
    FiberForceLengthActiveDeGroote2016,
    FiberForceLengthPassiveDeGroote2016,
    FiberForceVelocityDeGroote2016,
    TendonForceLengthDeGroote2016,
)

from momentshare.muscle import DeGrooteCurves

CURVES = DeGrooteCurves()
X = sympy.Symbol("x")


CASES = {
    "active": (
        FiberForceLengthActiveDeGroote2016,
        CURVES.active_force_length,
        np.linspace(0.2, 2.0, 91),
    ),
    "passive": (
        FiberForceLengthPassiveDeGroote2016,
        CURVES.passive_force_length,
        np.linspace(0.5, 1.8, 66),
    ),
    "velocity": (
        FiberForceVelocityDeGroote2016,
        CURVES.force_velocity,
        np.linspace(-1.3, 1.5, 71),
    ),
    "tendon": (
        TendonForceLengthDeGroote2016,
        CURVES.tendon_force_length,
        np.linspace(0.95, 1.06, 56),
    ),
}
SLOPES = {
    "active": CURVES.active_force_length_slope,
    "passive": CURVES.passive_force_length_slope,
    "tendon": CURVES.tendon_force_length_slope,
}
PRINTED = {
    "active": {
        0.5: 0.05291,
        0.6: 0.29693,
        0.7: 0.6753,
        0.8: 0.82398,
        0.9: 0.9253,
        1.0: 0.99414,
        1.1: 0.95493,
        1.2: 0.80071,
        1.3: 0.58969,
        1.4: 0.38753,
        1.5: 0.23124,
    },
    "passive": {
        0.8: -0.01374,
        1.0: 0.0,
        1.1: 0.01768,
        1.2: 0.05212,
        1.3: 0.1192,
        1.4: 0.24986,
        1.5: 0.50434,
        1.6: 1.0,
    },
    "velocity": {
        -1.0: 0.01208,
        -0.5: 0.24383,
        -0.25: 0.47831,
        0.0: 1.00232,
        0.25: 1.39917,
        0.5: 1.585,
        1.0: 1.78891,
    },
    "tendon": {
        0.99: -0.08121,
        1.0: -0.01301,
        1.01: 0.08274,
        1.02: 0.21719,
        1.03: 0.40596,
        1.04: 0.67101,
        1.05: 1.04315,
    },
}


@pytest.mark.parametrize("curve", CASES)
def test_curve_equals_sympy(curve):
    theirs, ours, points = CASES[curve]
    formula = theirs.with_defaults(X).doit()
    wanted = [float(formula.subs(X, sympy.Float(float(x), 30))) for x in points]
    np.testing.assert_allclose(ours(points), np.maximum(wanted, 0.0), rtol=1e-12, atol=1e-13)


@pytest.mark.parametrize("curve", SLOPES)
def test_slope_equals_sympy(curve):
    theirs, _, points = CASES[curve]
    formula = theirs.with_defaults(X).doit()
    # The active curve is held constant below 0.2, and none pushes: no slope where that begins.
    inner = [x for x in points[1:] if abs(formula.subs(X, sympy.Float(float(x), 30))) > 1e-12]
    wanted = []
    for x in inner:
        here = {X: sympy.Float(float(x), 30)}
        wanted.append(float(formula.diff(X).subs(here)) if formula.subs(here) > 0 else 0.0)
    np.testing.assert_allclose(SLOPES[curve](np.array(inner)), wanted, rtol=1e-12, atol=1e-13)


@pytest.mark.parametrize("curve", PRINTED)
def test_curve_equals_the_printed_values(curve):
    points = PRINTED[curve]
    got = CASES[curve][1](np.array(list(points)))
    printed = np.maximum(list(points.values()), 0.0)  # no curve pushes
    np.testing.assert_allclose(got, printed, rtol=0, atol=5.001e-6)
