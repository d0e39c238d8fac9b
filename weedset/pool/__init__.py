"""The pool: from many contributions to a frozen edition. The journal says what is so."""
