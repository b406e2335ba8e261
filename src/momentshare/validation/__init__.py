"""Validation of the limb: published values beside the model's own."""

from momentshare.validation.evaluate import evaluate
from momentshare.validation.targets import Target, load_targets

__all__ = ["Target", "evaluate", "load_targets"]
