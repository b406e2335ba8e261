"""Three requests to the service: python ask.py PORT"""

import json
import sys
import time
from urllib.error import HTTPError, URLError
from urllib.request import Request, urlopen

URL = f"http://127.0.0.1:{int(sys.argv[1])}/share"
GOOD = {
    "moment_arms": [[0.022, 0.022, 0.0], [-0.02, 0.0, 0.035]],
    "active_capacity": [800.0, 1000.0, 1200.0],
    "joint_moments": [20.0, 30.0],
}


def ask(record):
    """Post a record; wait until the service has started."""
    request = Request(URL, json.dumps(record).encode(), {"Content-Type": "application/json"})
    for _ in range(600):
        try:
            with urlopen(request, timeout=60) as reply:
                return reply.status, json.load(reply)
        except HTTPError as err:
            return err.code, json.load(err)
        except URLError:
            time.sleep(0.1)
    sys.exit("the service does not answer")


for title, change in [
    ("can be met", {}),
    ("too much", {"joint_moments": [200.0, 30.0]}),
    ("wrong", {"active_capacity": [800.0, -1000.0, 1200.0]}),
]:
    status, record = ask(GOOD | change)
    print(f"{title}: {status} {json.dumps(record, ensure_ascii=False)}")
