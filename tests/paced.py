"""What a change of the page of ``momentshare explore`` costs its thread, for each control.

The browser's clock runs only while the thread does, so other programs on the machine count as far
as they share a core. The time is told over that of a plain loop on the same thread too.
"""

from dataclasses import dataclass

PLAIN_LOOP = """
let sum = 0;
for (let k = 0; k < 2e7; k += 1) sum += Math.sqrt(k % 1000);
return sum;
"""

CHANGES = {
    "height": "{ height: k % 11 }",
    "load": "{ load: 15 + (k % 20) }",
    "spacing": "{ spacing: k % spacings }",
    "touch point": "{ touch: k % touches }",
    "bench": "{ angle: k % angles }",
    "push": "{ push: k % 2 ? 'free' : 'none' }",
    "push ratio": "{ push: 'given', ratio: 0.01 * (k % 20) }",
    "exercise": "{ task: ['bar', 'dumbbells', 'push_up'][k % 3] }",
    "person": "{ person: k % people }",
    "head looked at": "{ head: k % heads }",
    "changed head": "{ changed: k % heads, strength: 0.9 }",
    "strength": "{ changed: 14, strength: 0.05 * (k % 30) }",
    "moment left out": "{ leftOut: k % 2 ? rows[k % rows.length] : '' }",
    "criterion": "{ criterion: ['area2', 'volume3', 'equal2', 'area3'][k % 4] }",
    "glenoid": "{ glenoid: k % 2 === 0 }",
    "spacing, glenoid held": "{ glenoid: true, spacing: k % spacings }",
    "load beyond reach": "{ load: 90 + (k % 20) }",
    "load, greatest load shown": "{ load: 15 + (k % 20) }",
    "spacing, greatest load shown": "{ spacing: k % spacings }",
    "all at once": (
        "{ height: k % 11, load: 15 + k % 20, spacing: k % 3, push: k % 2 ? 'free' : 'none' }"
    ),
}
"""State that the change number k of a control sets."""

_STEPS = """
const [count, curve, done] = arguments;
const m = globalThis.momentshare;
const { spacings: s, touches_cm: t, angles_deg: g, people: p, heads: h, rows: r } = m.page.info;
const [spacings, touches, angles, people, heads] = [s, t, g, p, h].map(all => all.length);
const rows = r.map(row => row.name);
const shown = document.getElementById("curve");
shown.value = curve;
shown.dispatchEvent(new Event("input", { bubbles: true }));
const start = { ...m.state };
let k = 0;
const step = () => {
  if (k >= count) { m.set(start); return requestAnimationFrame(() => setTimeout(done, 0)); }
  m.set(CHANGE);
  k += 1;
  requestAnimationFrame(() => setTimeout(step, 0));
};
step();
"""
_PARTS = ("TaskDuration", "ScriptDuration", "RecalcStyleDuration", "LayoutDuration")


@dataclass(frozen=True)
class Cost:
    """Milliseconds of the page's thread for one change."""

    whole: float
    script: float
    style: float
    layout: float


class Clock:
    """Times of the page's thread [ms]."""

    def __init__(self, driver):
        self._driver = driver
        driver.execute_cdp_cmd("Performance.enable", {"timeDomain": "threadTicks"})
        driver.set_script_timeout(300)

    def now(self):
        found = self._driver.execute_cdp_cmd("Performance.getMetrics", {})["metrics"]
        values = {m["name"]: 1000.0 * m["value"] for m in found}
        return [values[part] for part in _PARTS]

    def loop(self):
        """Time of the plain loop."""
        before = self.now()
        self._driver.execute_script(PLAIN_LOOP)
        return self.now()[0] - before[0]

    def change(self, name, count=20):
        """What a change of a control costs, the mean of some."""
        script = _STEPS.replace("CHANGE", CHANGES[name])
        before = self.now()
        curve = "load" if "greatest load" in name else "activation"
        self._driver.execute_async_script(script, count, curve)
        after = self.now()
        return Cost(*((b - a) / count for a, b in zip(before, after, strict=True)))
