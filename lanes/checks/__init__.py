"""Whether the plate was run and scanned well."""
