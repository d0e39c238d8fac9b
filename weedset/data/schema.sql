-- The store of a workspace. One fact in one place; what follows from it is derived. Two programs
-- may open a new one at once, and the second finds all of it there.
CREATE TABLE IF NOT EXISTS batch (
    id TEXT PRIMARY KEY,
    site TEXT NOT NULL,
    taken_on TEXT NOT NULL,             -- ISO 8601 date
    giver TEXT NOT NULL,                -- '' where not stated
    licence TEXT NOT NULL,              -- SPDX id, '' where not stated
    UNIQUE (site, taken_on)
) STRICT;

-- The species that the annotators of a batch looked for: absence counts only for these,
-- and only in statements made after the species came onto the list.
CREATE TABLE IF NOT EXISTS checklist (
    batch_id TEXT NOT NULL REFERENCES batch (id),
    species TEXT NOT NULL,
    after_statement INTEGER NOT NULL,   -- the newest statement when the species was added, 0 if none
    PRIMARY KEY (batch_id, species)
) STRICT, WITHOUT ROWID;

CREATE TABLE IF NOT EXISTS photo (
    digest TEXT PRIMARY KEY,            -- SHA-256 of the file
    batch_id TEXT NOT NULL REFERENCES batch (id),
    name TEXT NOT NULL,
    path TEXT NOT NULL,
    width_px INTEGER NOT NULL,
    height_px INTEGER NOT NULL,
    taken_at TEXT,
    camera TEXT NOT NULL,
    gsd_mm_per_px REAL NOT NULL,
    scale_source TEXT NOT NULL,
    scale_from_exif INTEGER NOT NULL,
    scale_uncertainty_mm_per_px REAL,
    cell_mm REAL NOT NULL,
    grid_rows INTEGER NOT NULL,
    grid_cols INTEGER NOT NULL,
    x_min_mm REAL NOT NULL,
    y_min_mm REAL NOT NULL,
    tile_px INTEGER NOT NULL,
    edge TEXT NOT NULL,
    profile TEXT NOT NULL,              -- JSON: the whole camera profile as it was
    view TEXT NOT NULL,                 -- JSON: what came of it for this photo
    worst_gsd_mm_per_px REAL,           -- the limits for cells: NULL is none
    most_oblique_deg REAL NOT NULL,
    dropped TEXT NOT NULL,              -- JSON: cells not kept, [[reason, count], ...]
    sharpness REAL,                     -- these and below: see the record Quality
    brightness REAL,
    overexposed REAL,
    underexposed REAL,
    shadow REAL,
    glare REAL,
    vegetation REAL
) STRICT;
CREATE INDEX IF NOT EXISTS photo_of_batch ON photo (batch_id);

CREATE TABLE IF NOT EXISTS tile (
    id INTEGER PRIMARY KEY AUTOINCREMENT, -- never used again, so that none is taken for another
    photo_digest TEXT NOT NULL REFERENCES photo (digest),
    grid_row INTEGER NOT NULL,
    grid_col INTEGER NOT NULL,
    x_min_mm REAL NOT NULL,
    y_min_mm REAL NOT NULL,
    x_max_mm REAL NOT NULL,
    y_max_mm REAL NOT NULL,
    gsd_mm_per_px REAL NOT NULL,
    inside_share REAL NOT NULL,
    byte_offset INTEGER NOT NULL,
    byte_length INTEGER NOT NULL,
    oblique_deg REAL,                   -- NULL here and below: cannot be known
    relief_scale_error REAL,
    position_uncertainty_mm REAL,
    sharpness REAL,                     -- these and below: see the record Quality
    brightness REAL,
    overexposed REAL,
    underexposed REAL,
    shadow REAL,
    glare REAL,
    vegetation REAL,
    UNIQUE (photo_digest, grid_row, grid_col)
) STRICT;

-- Statements are only ever added, so that a label keeps its history. The newest stands,
-- unless one of origin 'review' has decided; the verdict 'withdrawn' takes back what its
-- annotator said before (in a review, where its own origin is 'review').
CREATE TABLE IF NOT EXISTS statement (
    id INTEGER PRIMARY KEY,
    tile_id INTEGER NOT NULL REFERENCES tile (id),
    annotator TEXT NOT NULL,
    origin TEXT NOT NULL,
    made_at TEXT NOT NULL,              -- ISO 8601, UTC
    verdict TEXT NOT NULL,
    unknown_plant INTEGER NOT NULL
) STRICT;
CREATE INDEX IF NOT EXISTS statement_of_tile ON statement (tile_id);

CREATE TABLE IF NOT EXISTS statement_species (
    statement_id INTEGER NOT NULL REFERENCES statement (id),
    species TEXT NOT NULL,
    doubtful INTEGER NOT NULL,
    stage INTEGER,                      -- BBCH principal growth stage
    PRIMARY KEY (statement_id, species)
) STRICT, WITHOUT ROWID;

-- Pictures whose ground scale is unknown: kept apart, so that none is taken for a tile. The
-- pictures themselves lie in the folder loose/, by digest.
CREATE TABLE IF NOT EXISTS loose_picture (
    digest TEXT PRIMARY KEY,            -- SHA-256 of the file that was taken in
    batch_id TEXT NOT NULL REFERENCES batch (id),
    annotator TEXT NOT NULL,
    made_at TEXT NOT NULL,              -- ISO 8601, UTC
    verdict TEXT NOT NULL,
    unknown_plant INTEGER NOT NULL
) STRICT;
CREATE INDEX IF NOT EXISTS loose_of_batch ON loose_picture (batch_id);

CREATE TABLE IF NOT EXISTS loose_species (
    digest TEXT NOT NULL REFERENCES loose_picture (digest),
    species TEXT NOT NULL,
    PRIMARY KEY (digest, species)
) STRICT, WITHOUT ROWID;

-- What the pixels of a tile look like, for the order of labelling. A cache: safe to empty.
CREATE TABLE IF NOT EXISTS look (
    tile_id INTEGER PRIMARY KEY REFERENCES tile (id),
    green_share REAL NOT NULL,
    features BLOB NOT NULL              -- little-endian float16
) STRICT;
