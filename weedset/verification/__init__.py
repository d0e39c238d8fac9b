"""Checking a contribution, for giver and maintainer alike. Nothing is unpacked or written."""
