-- The parts list, every column of the records; it has no dates, so it is the same at every as-of.
-- grain: one row a part number
-- units: micron, money each, days, pieces
-- reads: records.parts
SELECT * EXCLUDE (file, line) FROM records.parts ORDER BY part_number
