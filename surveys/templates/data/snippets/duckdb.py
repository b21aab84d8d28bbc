import duckdb

base = "{{ base }}"
duckdb.sql("INSTALL httpfs; LOAD httpfs;")
for table in ("returns", "counts", "index_level"):
    duckdb.sql(f"CREATE VIEW {table} AS FROM read_parquet('{base}{table}.parquet')")

rows, effort = duckdb.sql("SELECT count(*), sum(trap_nights) FROM returns").fetchone()
(catch,) = duckdb.sql("SELECT count(*) FROM counts JOIN returns USING (return_id)").fetchone()
(estimate,) = duckdb.sql("""
    SELECT estimate FROM index_level
    WHERE season = '{{ season }}' AND region = '{{ region }}' AND "window" = '{{ window }}'
      AND "group" = '{{ group }}' AND rim_exponent = 1
""").fetchone()

print("returns:", rows)
print("counts with their return:", catch)
print("trap-nights:", effort)
print("index:", estimate)
