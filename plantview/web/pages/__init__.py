"""One module per page: what stands on it; the numbers are filled in by ``assets/pages.js``."""
