"""The page: each module draws one page and only calls the rest of the shop. Streamlit is imported nowhere else."""
