"""Links to instruments; the only place where exceptions of foreign input/output libraries are translated."""
