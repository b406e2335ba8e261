"""Muscle sharing as a service: python service.py PORT, then POST JSON to /share."""

import json
import sys
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import numpy as np

from momentshare import MomentshareError, share

MOST_BYTES = 256_000
MOST_HEADS, MOST_ROWS, MOST_FRAMES, MOST_EXPONENT, LARGEST = 200, 12, 500, 100, 1e9
AXES = {"moment_arms": 2, "active_capacity": 1, "joint_moments": 1}  # and one more for frames


def numbers(values, name, axes):
    """Make an array of a field, with one axis for frames at most."""
    least = 0 if name == "active_capacity" else -LARGEST
    given = np.asarray(values, dtype=object)  # lists of unequal length stay lists
    for place, value in np.ndenumerate(given):
        if type(value) not in (int, float) or not least <= value <= LARGEST:
            wanted = f"must be even lists of {least:g} to {LARGEST:g}, no boolean"
            raise ValueError(f"{name}: {wanted}; got {value!r:.40} at {list(place)}")
    if given.ndim not in (axes, axes + 1) or (given.ndim > axes and len(given) > MOST_FRAMES):
        raise ValueError(f"{name}: must have {axes} axes, or {axes + 1} of {MOST_FRAMES} frames")
    return given.astype(float)


def answer(request):
    """Share the moments of a request; ValueError says what is wrong with it."""
    if not isinstance(request, dict) or not set(AXES) <= set(request):
        raise ValueError(f"request: must hold {', '.join(AXES)}")
    if unknown := set(request) - {*AXES, "exponent"}:
        raise ValueError(f"unknown field {min(unknown)!r}; known: {', '.join(AXES)}, exponent")
    arms, capacity, moments = (numbers(request[name], name, n) for name, n in AXES.items())
    if arms.shape[-1] > MOST_HEADS or arms.shape[-2] > MOST_ROWS:
        raise ValueError(f"moment_arms: at most {MOST_HEADS} heads and {MOST_ROWS} rows")
    exponent = request.get("exponent", 2.0)
    if type(exponent) not in (int, float) or not 1.0 < exponent <= MOST_EXPONENT:
        raise ValueError(f"exponent: must be a number above 1, up to {MOST_EXPONENT}, no boolean")
    found = share(arms, capacity, moments, exponent=exponent)
    return {
        "force_n": found.force.tolist(),
        "activation": found.activation.tolist(),
        "unmet_nm": found.unmet.tolist(),
        "status": np.asarray(found.status_text).tolist(),
    }


class Handler(BaseHTTPRequestHandler):
    """One request."""

    timeout = 10  # seconds that a client may be silent

    def do_POST(self):
        """Answer POST /share."""
        length = self.headers.get("Content-Length", "")
        if self.path != "/share":
            return self.reply(404, {"error": "no such path; POST to /share"})
        if not length.isdecimal() or int(length) > MOST_BYTES:
            return self.reply(413, {"error": f"request: needs a Content-Length up to {MOST_BYTES}"})
        try:
            return self.reply(200, answer(json.loads(self.rfile.read(int(length)))))
        except (json.JSONDecodeError, UnicodeDecodeError) as err:
            return self.reply(400, {"error": f"request: must be JSON; {err}"})
        except (MomentshareError, ValueError, OverflowError, RuntimeError) as err:
            return self.reply(400, {"error": str(err)})

    def reply(self, status, record):
        """Send a record as JSON."""
        body = json.dumps(record).encode()
        self.send_response(status)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)


if __name__ == "__main__":
    ThreadingHTTPServer(("127.0.0.1", int(sys.argv[1])), Handler).serve_forever()
