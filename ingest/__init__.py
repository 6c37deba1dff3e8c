"""Any log file in, normalized Parquet out. The only room that opens raw logs: it reads them, checks their
samples, finds full-load pulls, takes away who drove, and keeps an account of every row."""

from ingest.findings import InputError
from ingest.store import Store

__all__ = ["InputError", "Store"]
