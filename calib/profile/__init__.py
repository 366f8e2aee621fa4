"""What is known of a printer, nozzle and spool, how surely, and since when."""
