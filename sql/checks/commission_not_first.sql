-- Commissionings of a site that had been visited before, with no lasting change of it on record.
-- grain: one row a visit
-- units: none
-- reads: visits, changes
SELECT
    'commission_not_first' AS check_name, 'note' AS severity, v.site_id, v.visit_id, 1 AS rows,
    v.file || ' line ' || v.line || ': commission on ' || v.visit_date || ', but the site had been visited before'
        AS message,
    'write routine or other as the reason, or add to changes what was new; its pressures count as read after the work'
        AS what_to_do
FROM temp.visits AS v
ANTI JOIN temp.changes AS c ON c.site_id = v.site_id AND c.lasting AND c.changed_on <= v.visit_date
WHERE v.visit_reason = 'commission' AND v.visit_order > 1
