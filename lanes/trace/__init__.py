"""From a two-dimensional signal to one trace a lane, its background and its noise."""
