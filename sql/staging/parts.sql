-- The parts list; it has no dates, so it is the same at every as-of.
-- grain: one row a part number
-- units: micron, money each, days, pieces
-- reads: records.parts
SELECT
    part_number, component, description, supplier, supplier_part_number, micron, unit_cost, pack_size,
    lead_time_days, rated_life_days, warranty_days, on_hand, on_order
FROM records.parts
ORDER BY part_number
