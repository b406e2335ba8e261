"""Muscle sharing as a service: python service.py PORT, then POST JSON to /share."""

import json
import sys
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import numpy as np

from momentshare import MomentshareError, share

MOST_BYTES = 256_000
MOST_HEADS, MOST_ROWS, MOST_FRAMES = 200, 12, 500
FIELDS = {"moment_arms", "capacity", "moments", "exponent"}


def answer(request):
    """Share the moments of a request; ValueError says what is wrong with it."""
    if not isinstance(request, dict) or not {"moment_arms", "capacity", "moments"} <= set(request):
        raise ValueError("request: must hold moment_arms, capacity and moments")
    if unknown := set(request) - FIELDS:
        raise ValueError(f"unknown field {min(unknown)!r}; known: {', '.join(sorted(FIELDS))}")
    arms, capacity, moments = (
        np.asarray(request[name], dtype=float) for name in ("moment_arms", "capacity", "moments")
    )
    frames = moments.size // max(moments.shape[-1] if moments.ndim else 1, 1)
    if arms.ndim < 2 or arms.ndim > 3 or capacity.ndim > 2 or moments.ndim > 2:
        raise ValueError("moment_arms: must be rows × heads, or frames × rows × heads")
    if arms.shape[-1] > MOST_HEADS or arms.shape[-2] > MOST_ROWS or frames > MOST_FRAMES:
        raise ValueError(f"at most {MOST_HEADS} heads, {MOST_ROWS} rows, {MOST_FRAMES} frames")
    found = share(arms, capacity, moments, exponent=float(request.get("exponent", 2.0)))
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
        if not length.isdigit() or int(length) > MOST_BYTES:
            return self.reply(
                413, {"error": f"request: must be at most {MOST_BYTES} bytes of JSON"}
            )
        try:
            return self.reply(200, answer(json.loads(self.rfile.read(int(length)))))
        except (MomentshareError, ValueError, TypeError, RecursionError) as err:
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
