"""What a person who runs the service may set, by environment variables `FISHHOUSE_…`."""

from pathlib import Path
from typing import Self

from pydantic import Field, model_validator
from pydantic_settings import BaseSettings, SettingsConfigDict


class Settings(BaseSettings):
    """Settings of one process. Unset, everything lives in one data folder."""

    model_config = SettingsConfigDict(env_prefix="FISHHOUSE_", frozen=True)

    data_dir: Path = Field(
        default=Path("fishhouse-data"),
        description="Folder for the SQLite file and for photos; made when it is missing. "
        "Several processes of one database share it.",
    )
    database_url: str = Field(
        default="",
        description="SQLAlchemy address of the database: sqlite:///… or postgresql://…; "
        "empty means a SQLite file in the data folder.",
    )
    max_body_bytes: int = Field(
        default=16 * 1024 * 1024,
        ge=1024,
        description="Largest request body that is read; a longer one is refused with 413.",
    )
    database_connections: int = Field(
        default=10, ge=1, description="Most connections that one process holds to PostgreSQL."
    )
    watch_seconds: float = Field(
        default=60.0,
        gt=0,
        description="How often the watch judges new readings and frees reservations that ran out.",
    )
    run_watch: bool = Field(
        default=True,
        description="Whether `serve` runs the watch itself; off where `fishhouse worker` does.",
    )

    lease_seconds: float = Field(
        default=120.0,
        ge=1,
        description="After how long another worker takes over the work of one that died or stands "
        "still.",
    )

    @model_validator(mode="after")
    def _fill_database_url(self) -> Self:
        if not self.database_url:
            address = f"sqlite:///{self.data_dir / 'fishhouse.db'}"
            object.__setattr__(self, "database_url", address)
        return self
