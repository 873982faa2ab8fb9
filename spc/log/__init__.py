"""From a log's text to faces, events and quarantined rows."""
