"""The limb as read from files: numbers with units, spread, source and kind."""

from momentshare.model.load import available_models, load_model, models_folder
from momentshare.model.schema import Fit, Head, Model, Number, PathStep, Site, Surface

__all__ = [
    "Fit",
    "Head",
    "Model",
    "Number",
    "PathStep",
    "Site",
    "Surface",
    "available_models",
    "load_model",
    "models_folder",
]
