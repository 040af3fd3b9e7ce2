-- Laboratory samples taken up to as-of, every column of the records.
-- grain: one row a sample and parameter
-- units: as the laboratory wrote them
-- reads: records.samples
SELECT * EXCLUDE (file, line)
FROM records.samples
WHERE sampled_on <= $as_of
ORDER BY site_id, sampled_on, parameter, laboratory_ref, result
