-- Laboratory samples taken up to as-of.
-- grain: one row a sample and parameter
-- units: as the laboratory wrote them
-- reads: records.samples
SELECT site_id, sampled_on, parameter, result, passed, laboratory_ref
FROM records.samples
WHERE sampled_on <= $as_of
ORDER BY site_id, sampled_on, parameter, laboratory_ref, result
