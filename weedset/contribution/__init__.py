"""What a contribution is made of: the one place of the format.

A contribution is a bag (BagIt 1.0, RFC 8493) in a zip. It holds one batch: tiles with a
row of labels each, a row for each photo they were cut from, and what the giver states.
Rows are JSON Lines in the order of the pictures; names are Darwin Core terms where there
is one. `layout.VERSION` is that of all these together: a reader refuses a newer one.
"""
