"""What a person who runs the service may set, by environment variables `FISHHOUSE_…`."""

from pathlib import Path
from typing import Literal, Self

from pydantic import Field, SecretStr, field_validator, model_validator
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
    bodies_at_once: int = Field(
        default=8,
        ge=1,
        description="Most bodies of readings that one process holds at once; more wait unread, "
        "after five seconds they are told to come again (503).",
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

    session_minutes: int = Field(
        default=60,
        ge=1,
        description="After how many minutes without a touch somebody is logged out of the pages.",
    )

    trusted_proxies: str = Field(
        default="127.0.0.1",
        description="Addresses of proxies, with commas between, whose word is taken for where a "
        "request comes from and whether it came over TLS; `*` where nobody else reaches it.",
    )

    smtp_host: str = Field(
        default="", description="Mail server that e-mail is handed to; empty: no e-mail is sent."
    )
    smtp_port: int = Field(default=587, ge=1, le=65535, description="Port of the mail server.")
    smtp_security: Literal["starttls", "tls", "none"] = Field(
        default="starttls",
        description="How the connection to the mail server is secured: `starttls` (port 587), "
        "`tls` (port 465) or `none` (a mail server on the same machine).",
    )
    smtp_user: str = Field(default="", description="User at the mail server; empty: no log-in.")
    smtp_password: SecretStr = Field(
        default=SecretStr(""), description="Password at the mail server; never shown or logged."
    )
    smtp_from: str = Field(default="", description="Address that e-mail comes from.")

    mqtt_broker: str = Field(
        default="", description="Where `fishhouse listen` listens: mqtt://HOST or mqtts://HOST."
    )
    mqtt_version: Literal["5", "3.1.1"] = Field(
        default="5", description="Which MQTT is spoken; 3.1.1 where a broker knows no newer."
    )
    mqtt_client_id: str = Field(
        default="fishhouse",
        min_length=1,
        description="Under which name the broker keeps the session; one for each database.",
    )
    mqtt_mapping: Path | None = Field(
        default=None, description="File in TOML or JSON that says which messages are readings."
    )
    mqtt_user_name: str = Field(
        default="", description="User of Fishhouse, of role device, whose readings they are."
    )
    mqtt_broker_user: str = Field(default="", description="User at the broker; empty: no log-in.")
    mqtt_broker_password: SecretStr | None = Field(
        default=None, description="Password at the broker; never shown or logged."
    )
    mqtt_broker_password_file: Path | None = Field(
        default=None, description="File that holds the password at the broker instead."
    )
    mqtt_ca_file: Path | None = Field(
        default=None,
        description="Certificates that the broker's must come from; empty: those of the system.",
    )
    mqtt_certificate_file: Path | None = Field(
        default=None, description="Our own certificate, where the broker asks for one."
    )
    mqtt_key_file: Path | None = Field(
        default=None, description="Key of our own certificate, if it is in a file of its own."
    )

    backup_folder: Path | None = Field(
        default=None,
        description="Folder that scheduled backups go to, best on another disk; unset: none are "
        "made.",
    )
    backup_hours: str = Field(
        default="2",
        description="Hours of the UTC day at which backups are made, as `2,14`. One that was "
        "missed is made as soon as the worker runs.",
    )
    backup_days: int = Field(
        default=7, ge=1, description="Of how many last days the newest backup is kept."
    )
    backup_weeks: int = Field(
        default=5, ge=0, description="Of how many last weeks the newest backup is kept."
    )
    backup_months: int = Field(
        default=12, ge=0, description="Of how many last months the newest backup is kept."
    )

    @field_validator("backup_folder", mode="before")
    @classmethod
    def _empty_is_unset(cls, value: object) -> object:
        return value or None

    @field_validator("backup_hours")
    @classmethod
    def _hours_of_a_day(cls, value: str) -> str:
        hours = [part.strip() for part in value.split(",")]
        if not all(hour.isdecimal() and int(hour) < 24 for hour in hours):
            raise ValueError("hours are whole numbers from 0 to 23 with commas between: 2,14")
        return value

    @model_validator(mode="after")
    def _fill_database_url(self) -> Self:
        if not self.database_url:
            address = f"sqlite:///{self.data_dir / 'fishhouse.db'}"
            object.__setattr__(self, "database_url", address)
        return self
