"""From a trace to spots: shapes, detection, deconvolution and the quantities of the trade."""
