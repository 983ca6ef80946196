-- Share of records of each model in which a check has a failed finding; real units only.
WITH decided AS (
    SELECT f.unit_model, f.check_name, f.record_id, bool_or(f.decision = 'fail') AS failed
    FROM read_parquet('{folder}/findings/**/*.parquet', hive_partitioning = true) f
    JOIN read_parquet('{folder}/records/**/*.parquet', hive_partitioning = true) r
      USING (record_id)
    WHERE NOT r.simulated AND f.decision <> 'not measured'
    GROUP BY ALL
)
SELECT unit_model, check_name, count(*) AS records, sum(failed::INT) AS failed,
       avg(failed::INT) AS share
FROM decided
GROUP BY ALL
ORDER BY share DESC, records DESC, unit_model, check_name
