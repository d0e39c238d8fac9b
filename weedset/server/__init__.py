"""The labelling page: a small server for one person's workspace, and the page it serves."""
