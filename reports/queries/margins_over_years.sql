-- How much of its limit the worst two-sided or upper finding of each check uses, as left, by model
-- and year: 1 is at the limit. Real units only.
WITH used AS (
    SELECT f.unit_model, f.year, f.check_name, f.record_id,
           max(CASE
               WHEN f.limit_low IS NULL THEN f.value / nullif(f.limit_high, 0)
               ELSE abs(f.value - (f.limit_low + f.limit_high) / 2)
                    / nullif((f.limit_high - f.limit_low) / 2, 0)
           END) AS share
    FROM read_parquet('{folder}/findings/**/*.parquet', hive_partitioning = true) f
    JOIN read_parquet('{folder}/records/**/*.parquet', hive_partitioning = true) r
      USING (record_id)
    WHERE NOT r.simulated AND r.stage = 'as-left' AND f.limit_high IS NOT NULL
      AND f.value IS NOT NULL AND f.u_expanded > 0
    GROUP BY ALL
)
SELECT unit_model, year, check_name, count(*) AS records, median(share) AS median_share,
       max(share) AS worst_share
FROM used
GROUP BY ALL
ORDER BY unit_model, check_name, year
