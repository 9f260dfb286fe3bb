"""Claims: dated evidence of dead or poor arrivals, made and sent within the supplier's window."""
