"""Make a library impossible to import, as where it is not installed."""

import sys

from momentshare.extras import LIBRARIES, _Missing


class _Without:
    def __init__(self, finder, library):
        self.finder, self.library = finder, library

    def __getattr__(self, name):
        return getattr(self.finder, name)

    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] == self.library:
            return None
        return self.finder.find_spec(name, path, target)


def hide(monkeypatch, library):
    """Take a library of ``LIBRARIES`` out of reach; ``monkeypatch`` brings it back."""
    assert library in LIBRARIES
    for name in [name for name in sys.modules if name.partition(".")[0] == library]:
        monkeypatch.delitem(sys.modules, name)
    # Other libraries append finders of their own, so ours need not be the last.
    finders = [f if f is _Missing else _Without(f, library) for f in sys.meta_path]
    monkeypatch.setattr(sys, "meta_path", finders)
