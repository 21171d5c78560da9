"""A reading as files: record, tables, figures and a report page."""
