-- Mean setting error seen by each of our meters, by year, beside that of all the others: a meter
-- that walks away from the rest shows here before its calibration is due. Real units only.
WITH seen AS (
    SELECT i.serial AS meter, f.year, f.value
    FROM read_parquet('{folder}/findings/**/*.parquet', hive_partitioning = true) f
    JOIN read_parquet('{folder}/instruments/**/*.parquet', hive_partitioning = true) i
      USING (record_id)
    JOIN read_parquet('{folder}/records/**/*.parquet', hive_partitioning = true) r
      USING (record_id)
    WHERE i.role = 'meter' AND f.check_name = 'setting' AND f.unit = 'V'
      AND f.what = 'error of the output voltage' AND f.value IS NOT NULL AND NOT r.simulated
), totals AS (
    SELECT meter, year, sum(value) AS own_sum, count(*) AS own_n FROM seen GROUP BY ALL
)
SELECT meter, year, own_n AS readings, own_sum / own_n AS mean_error_v,
       (sum(own_sum) OVER y - own_sum) / nullif(sum(own_n) OVER y - own_n, 0) AS others_v
FROM totals
WINDOW y AS (PARTITION BY year)
ORDER BY meter, year
