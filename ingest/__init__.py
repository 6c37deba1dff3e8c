"""Any log file in, normalized Parquet out. The only room that opens raw logs."""
