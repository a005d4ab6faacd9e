"""Steps that bring the shop's database from one version to the next (alembic)."""
