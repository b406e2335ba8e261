"""A loop at 1 kHz around the solver, with the delays that it measured.

Moments change smoothly, arms and capacities with the joint angle; every millisecond one frame comes
and its forces must be there before the next. Printed are the time a step takes, and the time from
the tick at which a frame was due until its forces were there, which holds what the system adds.

    python real_time.py 10        # seconds
"""

import sys
import time

import numpy as np

import momentshare
from momentshare.sharing import Solver

PERIOD = 1_000_000  # [ns]
HEADS, ROWS = 26, 4

rng = np.random.default_rng(0)
base = rng.uniform(-0.04, 0.05, (ROWS, HEADS))
turn = rng.uniform(-0.01, 0.01, (ROWS, HEADS))
strong = rng.uniform(100.0, 1200.0, HEADS)
effort = rng.uniform(0.1, 0.4, HEADS)

count = int(float(sys.argv[1]) * 1000) if len(sys.argv) > 1 else 5000
arms, capacity, moments = base.copy(), strong.copy(), np.zeros(ROWS)
print("compiling, where this machine has not done so yet: up to a minute", flush=True)
momentshare.warm_up([ROWS], paths=False)  # nothing is compiled inside the loop
solver = Solver(heads=HEADS)
solver.step(base, strong, base @ (effort * strong))  # makes the arrays of the stream

taken, late = np.empty(count), np.empty(count)
missed = unsolved = 0
due = time.perf_counter_ns() + PERIOD
for k in range(count):
    while (left := due - time.perf_counter_ns()) > 0:
        if left > 200_000:
            time.sleep((left - 150_000) / 1e9)  # the rest is waited out: sleep is too coarse
    begin = time.perf_counter_ns()
    phase = np.sin(2e-3 * np.pi * k)
    np.add(base, phase * turn, out=arms)
    np.multiply(strong, 1.0 + 0.2 * phase, out=capacity)
    np.matmul(arms, (1.0 + 0.5 * phase) * effort * strong, out=moments)
    answer = solver.step(arms, capacity, moments)
    end = time.perf_counter_ns()
    unsolved += not answer.certified
    taken[k], late[k] = end - begin, end - due
    due += PERIOD
    if end > due:  # the next tick has gone by: leave out what was missed
        missed += 1
        due = end + PERIOD

print(f"{'µs':<28}{'p50':>8}{'p99':>8}{'worst':>9}")
for name, values in (("a step with its input", taken), ("tick to forces", late)):
    middle, high, worst = np.percentile(values, [50, 99, 100]) / 1e3
    print(f"{name:<28}{middle:>8.1f}{high:>8.1f}{worst:>9.1f}")
print(f"{count} frames, {unsolved} without a certificate, {missed} ticks missed")
