"""The page of ``momentshare explore`` in a headless browser, against the library's own numbers."""

import numpy as np
import pytest
from tests.browser import DESKTOP, PHONE, console_faults, open_page, requests_made, sideways
from tests.browser import headless as _headless
from tests.explored import NODES, PLAIN, a_limb, a_page, a_study, begun, press  # noqa: F401 - fixtures

from momentshare.analysis import prepare, solve_lift
from momentshare.balance import Criterion, Lateral
from momentshare.exercise import Profile, PushUp
from momentshare.explore.grid import HEIGHTS
from momentshare.limb.joint import glenoid_load
from momentshare.study import plan_study

browser = _headless  # the fixture

SINGLE = 2e-5
"""Effort that single precision of arms and capacities may move."""


def opened(browser, page, size=DESKTOP):
    open_page(browser, page, size, PLAIN)
    begun(browser)


def answer(browser, state, height):
    """What the page computes for a state."""
    return browser.execute_script(
        """
        const m = globalThis.momentshare;
        const start = { ...m.readState(m.page, ""), glenoid: false };
        const state = { ...start, ...arguments[0], height: arguments[1] };
        const a = m.answerAt(m.page, state);
        if (!a) return null;
        return { activation: [...a.shared.activation], unmet: [...a.shared.unmet],
          net: [...a.net], push: a.push, compression: a.contact.compression,
          margin: a.contact.margin, greatest: m.greatestAt(m.page, state, arguments[1])?.load };
        """,
        state,
        height,
    )


STATES = [
    {"spacing": 1, "touch": 0, "angle": 0, "load": 25.0, "push": "free"},
    {"spacing": 0, "touch": 1, "angle": 0, "load": 15.0, "push": "none"},
    {"spacing": 2, "touch": 1, "angle": 0, "load": 90.0, "push": "none"},
    {"spacing": 2, "touch": 0, "angle": 1, "load": 40.0, "push": "given", "ratio": 0.2},
    {"spacing": 1, "touch": 1, "angle": 1, "load": 30.0, "push": "free", "criterion": "equal2"},
    {"spacing": 1, "touch": 0, "angle": 0, "load": 20.0, "push": "free", "criterion": "area3"},
    {"spacing": 1, "touch": 0, "angle": 0, "load": 20.0, "push": "none", "criterion": "volume2"},
    {"spacing": 1, "touch": 0, "angle": 0, "load": 25.0, "push": "free", "glenoid": True},
    {"spacing": 0, "touch": 1, "angle": 1, "load": 20.0, "push": "none", "glenoid": True},
    {
        "spacing": 1,
        "touch": 1,
        "angle": 0,
        "load": 30.0,
        "push": "given",
        "ratio": 0.2,
        "glenoid": True,
    },
]


def named(state):
    held = ", glenoid held" if state.get("glenoid") else ""
    return f"{state['push']} {state['load']:g} kg{held}"


CRITERIA = {
    "area2": Criterion(),
    "volume2": Criterion(weights="volume"),
    "equal2": Criterion(weights="none"),
    "area3": Criterion(exponent=3.0),
}


def condition_laterals(state):
    mode = {"none": "zero", "given": "measured", "free": "free"}[state["push"]]
    return Lateral(mode=mode, ratio=state.get("ratio", 0.0))


def check(browser, state, result, base=0.0):
    """Compare all heights of a state with a result of the library."""
    contact = glenoid_load(
        result.prepared.limb.skeleton, result.contact, result.prepared.lift.posture
    )
    for height in range(HEIGHTS):
        got = answer(browser, state, height)
        if not result.prepared.lift.reachable[height]:
            assert got is None
            continue
        np.testing.assert_allclose(got["activation"], result.activation[height], atol=SINGLE)
        np.testing.assert_allclose(got["unmet"], result.sharing.unmet[height], atol=1e-3)
        np.testing.assert_allclose(got["net"], result.moments[height, :4], atol=1e-3)
        np.testing.assert_allclose(got["push"], result.lateral_force[height], atol=0.02)
        np.testing.assert_allclose(got["compression"], contact.compression[height], atol=0.2)
        np.testing.assert_allclose(got["margin"], contact.margin[height], atol=2e-3)
        wanted = result.greatest.factor[height] - base
        if np.isfinite(wanted):
            np.testing.assert_allclose(got["greatest"], wanted, atol=2e-3)


@pytest.mark.parametrize("state", STATES, ids=named)
def test_the_page_gives_the_numbers_of_the_library(browser, page, limb, state):
    opened(browser, page)
    lift = press(limb, state, state["load"]).lift(limb.skeleton)
    criterion = CRITERIA[state.get("criterion", "area2")]
    held = state.get("glenoid", False)
    lateral = condition_laterals(state)
    result = solve_lift(prepare(limb, lift), lateral, criterion, glenoid=held)
    if held:  # and it does limit the load
        free = solve_lift(prepare(limb, lift), lateral, criterion)
        assert np.nanmax(free.greatest.factor - result.greatest.factor) > 0.5
    check(browser, state, result)


def test_conditions_of_the_study_stand_as_they_are(browser, page, study, limb):
    opened(browser, page)
    found = plan_study(study, frames=HEIGHTS).solve()
    assert study.file.settings.glenoid_constraint
    assert browser.execute_script("return globalThis.momentshare.state.glenoid;")
    for number, condition in enumerate(study.file.condition):
        case = next(c for c in found.cases if c.condition == condition.name)
        for result in case.results:
            push = {"measured": "measured", "zero": "none", "free": "free"}[result.lateral.mode]
            state = {"task": f"c{number}", "load": condition.load_kg, "push": push, "glenoid": True}
            check(browser, state, result)


def test_the_page_opens_at_the_first_two_conditions(browser, page, study):
    open_page(browser, page)
    begun(browser)
    field = "return document.getElementById(arguments[0]).textContent;"
    narrow, overhead = study.file.condition
    assert browser.execute_script("return globalThis.momentshare.state.task;") == "c0"
    assert browser.execute_script(field, "load-out") == f"{narrow.load_kg:.0f} kg on both hands"
    spacing = browser.execute_script(field, "spacing-out")
    assert spacing.startswith(f"{narrow.spacing_biacromial:.1f} × shoulder breadth")
    other = browser.execute_script(field, "other-hint")
    assert f"{overhead.name}, {overhead.load_kg:.0f}" in other
    # A moved control leaves the study where it was: same load, the measured push as a number.
    script = "const m = globalThis.momentshare; m.set(arguments[0]); return m.state;"
    given = browser.execute_script(script, {"spacing": 2})
    assert (given["task"], given["load"], given["push"]) == ("bar", narrow.load_kg, "given")
    (task, _) = plan_study(study).setup.tasks
    (measured, *_) = task.treatments
    ratios = measured.ratios(HEIGHTS, np.linspace(0.0, 1.0, HEIGHTS))
    assert abs(given["ratio"] - ratios[given["height"]]) < 0.006
    back = browser.execute_script(script, {"task": "c0"})
    assert (back["push"], back["spacing"]) == ("measured", 0)
    browser.execute_script(script, {"task": "c1"})  # an exercise that is at no node
    assert browser.execute_script("return document.getElementById('spacing').disabled;")


def test_push_ups_bear_a_part_of_the_body(browser, page, limb):
    opened(browser, page)
    base = press(limb, {"spacing": 1, "touch": 1, "angle": 0}, 0.0).lift(limb.skeleton)
    tuck = np.arccos(base.posture.humerus[:, 1, 1])
    push_up = PushUp(
        spacing=Profile.constant(NODES.spacings[1] * limb.skeleton.sizes.biacromial_breadth),
        tilt=Profile.constant(0.0),
        tuck=Profile(tuple(zip(base.fraction.tolist(), tuck.tolist(), strict=True))),
        protraction=Profile(
            tuple(zip(base.fraction.tolist(), base.posture.girdle[:, 0].tolist(), strict=True))
        ),
        chest_height=float(base.height[0]),
        extra_mass=5.0,
        frames=HEIGHTS,
    ).lift(limb.skeleton)
    state = {"task": "push_up", "spacing": 1, "touch": 1, "angle": 0, "load": 5.0, "push": "none"}
    result = solve_lift(prepare(limb, push_up), Lateral(mode="zero"), greatest_load=False)
    for height in (0, 5, 9):
        got = answer(browser, state, height)
        np.testing.assert_allclose(got["activation"], result.activation[height], atol=SINGLE)
        np.testing.assert_allclose(got["net"], result.moments[height, :4], atol=1e-3)


def test_a_head_without_strength_is_a_limb_without_the_head(browser, page, limb):
    opened(browser, page)
    state = {"spacing": 1, "touch": 0, "angle": 0, "load": 20.0, "push": "free"}
    head = limb.head_names.index("triceps_brachii/long")
    lift = press(limb, state, 20.0).lift(limb.skeleton)
    balance = prepare(limb, lift).balance().treated(Lateral(mode="free"))
    kept = [k for k in range(len(limb.head_names)) if k != head]
    from momentshare.sharing import share

    wanted = share(
        balance.arms[..., kept],
        balance.capacity[..., kept],
        balance.moments,
        passive_force=balance.passive[..., kept],
        weights=np.broadcast_to(balance.area_weights, balance.capacity.shape)[..., kept],
        free_columns=balance.columns,
        free_bounds=balance.free_bounds,
    )
    got = answer(browser, state | {"changed": head, "strength": 0.0}, 4)
    np.testing.assert_allclose(np.array(got["activation"])[kept], wanted.activation[4], atol=SINGLE)
    assert got["activation"][head] == 0.0


def test_the_page_asks_for_nothing_and_complains_of_nothing(browser, page):
    for size in (DESKTOP, PHONE):
        opened(browser, page, size)
        assert console_faults(browser) == []
        assert [r for r in requests_made(browser) if not r.startswith("file:")] == []
        assert sideways(browser) <= 0


def test_every_control_changes_the_page(browser, page, limb):
    opened(browser, page)
    names = browser.execute_script(
        "return [...document.querySelectorAll('[data-key]')].map(e => [e.id || e.value, e.type])"
    )
    assert len(names) >= 14
    idle = []
    for number, (name, kind) in enumerate(names):
        moved = browser.execute_async_script(
            """
            const m = globalThis.momentshare;
            m.set({ ...m.readState(m.page, ""), changed: arguments[1], strength: 0.9 });
            const all = [...document.querySelectorAll('[data-key]')];
            const control = all[arguments[0]];
            if (control.id === "ratio") m.set({ push: "given" });
            if (control.value === "measured") { m.set({ task: "c0" }); m.set({ push: "none" }); }
            const link = document.getElementById("link");
            const before = link.value;
            const done = arguments[2];
            if (control.disabled) return done(null);
            if (control.type === "radio" || control.type === "checkbox") {
              if (control.checked) return done(true);
              control.checked = true;
            } else if (control.type === "range") {
              const at = Number(control.value), step = Number(control.step);
              control.value = at + step <= Number(control.max) ? at + step : at - step;
            } else {
              if (control.options.length < 2) return done(true);
              control.selectedIndex = (control.selectedIndex + 1) % control.options.length;
            }
            control.dispatchEvent(new Event("input", { bubbles: true }));
            requestAnimationFrame(() => setTimeout(() => done(link.value !== before), 0));
            """,
            number,
            limb.head_names.index("triceps_brachii/long"),
        )
        if moved is not True:
            idle.append(f"{name} ({kind}): {moved}")
    assert idle == []
    assert console_faults(browser) == []


def test_only_a_head_of_two_joints_can_lose_its_moment_arm_at_one(browser, page, limb):
    opened(browser, page)
    script = (
        "const m = globalThis.momentshare; m.set({ changed: arguments[0], noArm: 'elbow' });"
        "return [document.getElementById('noArm').disabled, m.state.noArm];"
    )
    for head, wanted in (("long", [False, "elbow"]), ("lateral", [True, ""])):
        number = limb.head_names.index(f"triceps_brachii/{head}")
        assert browser.execute_script(script, number) == wanted


def test_a_link_brings_the_state_back(browser, page):
    opened(browser, page)
    state = {"spacing": 2, "touch": 1, "load": 33.0, "push": "given", "ratio": -0.05, "height": 7}
    first = browser.execute_script(
        "const m = globalThis.momentshare; m.set(arguments[0]);"
        "document.getElementById('keep').click(); m.set({ load: 12 });"
        "return [document.getElementById('link').value,"
        " document.getElementById('headline').textContent,"
        " document.getElementById('other-hint').textContent];",
        state,
    )
    browser.get("about:blank")
    browser.get(first[0])
    begun(browser)
    again = browser.execute_script(
        "return [document.getElementById('link').value,"
        " document.getElementById('headline').textContent,"
        " document.getElementById('other-hint').textContent];"
    )
    assert again == first


def test_drawn_distance_times_force_is_the_moment_of_the_force(browser, page, limb):
    """The moment is taken from the library's levers in the plane of each view."""
    from momentshare.report.figures.arm.geometry import arm_scene, hand_force, views

    opened(browser, page)
    state = {"spacing": 2, "touch": 1, "angle": 1, "load": 40.0, "push": "given", "ratio": 0.2}
    lift = press(limb, state, 40.0).lift(limb.skeleton)
    result = solve_lift(prepare(limb, lift), condition_laterals(state), greatest_load=False)
    scene = arm_scene(result, 4)
    words = browser.execute_script(
        "const m = globalThis.momentshare; m.set({ ...arguments[0], height: 4 });"
        "return [...document.querySelectorAll('#arm-figure desc')].map(d => d.textContent);",
        state,
    )
    for view, said in zip(views(scene), words, strict=True):
        seen = hand_force(scene, view)
        for lever in seen.levers:
            wanted = f"{100 * lever.distance:.2f} cm × {lever.force:.1f} N = "
            assert wanted + f"{abs(lever.moment):.1f} N·m" in said


def test_a_pocket_calculator_confirms_the_sum(browser, page):
    opened(browser, page)
    for head in range(0, 26, 3):
        cells = browser.execute_script(
            "globalThis.momentshare.set({ head: arguments[0], height: 4 });"
            "return [...document.querySelectorAll('#sum-figure tbody tr')]"
            ".map(r => [...r.querySelectorAll('td')].map(c => c.textContent));",
            head,
        )
        total, products = 0.0, []
        for row in cells:
            multiplier, arm, capacity, part = (float(c.replace("\u2212", "-")) for c in row)
            products.append((part, multiplier * arm * capacity))
            total += part
        whole, weight = (
            float(c.replace("\u2212", "-"))
            for c in browser.execute_script(
                "return [...document.querySelectorAll('#sum-figure tfoot td')]"
                ".map(c => c.textContent)"
            )
        )
        assert whole == pytest.approx(total, rel=1e-4, abs=1e-6)
        for part, product in products:
            assert part == pytest.approx(product / (2 * weight), rel=6e-4)
        effort = browser.execute_script(
            "const m = globalThis.momentshare;"
            "return m.answerAt(m.page, m.state).shared.activation[arguments[0]];",
            head,
        )
        assert effort == pytest.approx(np.clip(whole, 0.0, 1.0), abs=1e-3)
