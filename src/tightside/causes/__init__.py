"""All findings weighed together: ranked causes, why, and which test is worth its time next."""
