"""From a file to a two-dimensional signal: scan, layout, light to signal."""
