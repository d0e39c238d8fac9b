"""Taking in labels that people already have: each importer makes statements about tiles."""
