"""What a run leaves on disk: capture logs and Parquet files, the journal, and the record folder."""
