"""thermosaic: thermal profiles of fresh asphalt mats as checked GIS layers."""

__version__ = "0.1.0"
