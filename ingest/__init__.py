"""Any log file in, normalized Parquet out. The only room that opens raw logs: it reads them, checks their
samples, finds full-load pulls, takes away who drove, and keeps an account of every row."""

from ingest.findings import InputError
from ingest.forget_car import forget_car
from ingest.inspect_log import inspect_log, inspect_logs
from ingest.many_logs import IngestResult, ingest_logs
from ingest.store import Store

__all__ = ["IngestResult", "InputError", "Store", "forget_car", "ingest_logs", "inspect_log", "inspect_logs"]
