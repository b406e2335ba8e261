"""Requests to end a command that arrive where an exception does not get through."""

import signal
import subprocess
import sys
import textwrap

import pytest

START = """
import os, signal, sys, time
import momentshare.cli.main as command

signal.signal(signal.SIGINT, signal.default_int_handler)  # ignored in jobs of the background

def ask(number):
    os.kill(os.getpid(), number)
    time.sleep(5.0)

class Callback:
    def __init__(self, number):
        self.number = number
    def __del__(self):
        ask(self.number)
"""


def ended(body):
    """Run the command line with a command of ours in the place of all."""
    script = START + textwrap.dedent(body) + "\ncommand.app = work\ncommand.main()\n"
    return subprocess.run(
        [sys.executable, "-c", script], check=False, capture_output=True, text=True, timeout=60
    )


def test_an_error_that_a_library_makes_of_the_request_is_none():
    done = ended(
        f"""
        def work():
            try:
                ask({int(signal.SIGTERM)})
            except SystemExit as err:
                raise ValueError("the import failed") from err
        """
    )
    assert done.returncode == 128 + signal.SIGTERM
    assert done.stderr == ""


def test_an_error_without_a_request_is_told():
    done = ended("def work():\n    raise ValueError('wrong')")
    assert done.returncode == 1
    assert "ValueError: wrong" in done.stderr


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_request_within_a_callback_is_not_lost(number):
    done = ended(
        f"""
        def work():
            found = Callback({int(number)})
            del found
            time.sleep(20.0)
            print("went on")
        """
    )
    assert "went on" not in done.stdout
    assert done.returncode in {128 + number, -number}
    assert "ignored" not in done.stderr


def test_other_errors_of_a_callback_are_told_as_ever():
    done = ended(
        """
        class Broken:
            def __del__(self):
                raise ValueError("in a callback")
        def work():
            found = Broken()
            del found
        """
    )
    assert done.returncode == 0
    assert "ValueError: in a callback" in done.stderr
