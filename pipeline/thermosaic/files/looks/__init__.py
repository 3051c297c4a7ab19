"""What layers and rasters look like: `styles` says it in symbols, `qml` and `sld` print it."""
