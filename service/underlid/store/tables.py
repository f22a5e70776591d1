"""The tables of the ledger. Times are milliseconds since 1970; every change needs a migration."""

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)

farm = Table(
    "farm",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", String(80), nullable=False),
    Column("time_zone", String(64), nullable=False),
    Column("limits", JSON, nullable=False),
)

place = Table(
    "place",
    metadata,
    Column("id", String(63), primary_key=True),
    Column("name", String(80), nullable=False),
    Column("outdoors", Boolean, nullable=False),
    Column("limits", JSON, nullable=False),
)

bin_ = Table(
    "bin",
    metadata,
    Column("id", String(63), primary_key=True),
    Column("name", String(80), nullable=False),
    Column("place_id", ForeignKey("place.id"), nullable=False),
    Column("species", String(63), nullable=False),
    Column("length_m", Float, nullable=False),
    Column("width_m", Float, nullable=False),
    Column("depth_m", Float, nullable=False),
    Column("worm_kg", Float, nullable=False),
    Column("started_ms", BigInteger, nullable=False),
    Column("limits", JSON, nullable=False),
)

feed_store = Table(
    "feed_store",
    metadata,
    Column("id", String(63), primary_key=True),
    Column("name", String(80), nullable=False),
    Column("place_id", ForeignKey("place.id"), nullable=False),
    Column("diameter_m", Float, nullable=False),
    Column("fill_depth_m", Float, nullable=False),
    Column("insulation_w_m2k", Float),
    Column("limits", JSON, nullable=False),
)

probe = Table(
    "probe",
    metadata,
    Column("id", String(128), primary_key=True),
    Column("name", String(128), nullable=False),
    Column("first_seen_ms", BigInteger, nullable=False),
    Column("online", Boolean),
    Column("retired_ms", BigInteger),
)

probe_credential = Table(
    "probe_credential",
    metadata,
    Column("probe_id", String(128), primary_key=True),  # may come before the probe is first heard
    Column("hash", String(200), nullable=False),
    Column("made_ms", BigInteger, nullable=False),
    Column("mosquitto_dir", Text),  # null: known to the embedded broker alone
)

channel = Table(
    "channel",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("probe_id", ForeignKey("probe.id"), nullable=False),
    Column("name", String(128), nullable=False),
    Column("unit", String(16), nullable=False),
    Column("quantity", String(16), nullable=False),
    UniqueConstraint("probe_id", "name", "unit"),
)

calibration = Table(
    "calibration",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("channel_id", ForeignKey("channel.id"), nullable=False),
    Column("moisture_id", ForeignKey("channel.id"), nullable=False),
    Column("version", Integer, nullable=False),
    Column("made_ms", BigInteger, nullable=False),
    Column("from_ms", BigInteger, nullable=False),
    Column("points", JSON, nullable=False),
    Column("temp_coeff", Float, nullable=False),
    Column("temp_id", ForeignKey("channel.id")),
    UniqueConstraint("channel_id", "version"),
)

placement = Table(
    "placement",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("channel_id", ForeignKey("channel.id"), nullable=False),
    Column("subject_kind", String(16), nullable=False),
    Column("subject_id", String(128), nullable=False),
    Column("position", String(16), nullable=False),
    Column("from_ms", BigInteger, nullable=False),
    Column("to_ms", BigInteger),
    Index(None, "subject_kind", "subject_id"),
    Index(None, "channel_id"),
)

twin = Table(
    "twin",
    metadata,
    Column("channel_id", ForeignKey("channel.id"), primary_key=True),
    Column("twin_id", ForeignKey("channel.id"), nullable=False),
    Column("from_ms", BigInteger, nullable=False),
)

log_entry = Table(
    "log_entry",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("at_ms", BigInteger, nullable=False),
    Column("subject_kind", String(16), nullable=False),
    Column("subject_id", String(128), nullable=False),
    Column("kind", String(16), nullable=False),
    Column("amount_kg", Float),
    Column("amount_l", Float),
    Column("what", String(200), nullable=False),
    Column("corner", String(40), nullable=False),
    Column("note", Text, nullable=False),
    Column("key", String(64)),
    Column("corrected_ms", BigInteger),
    Column("deleted_ms", BigInteger),  # null: it holds
    Index(None, "subject_kind", "subject_id", "at_ms"),
    Index(None, "at_ms"),
    Index(None, "key", unique=True),
)

log_revision = Table(
    "log_revision",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("entry_id", ForeignKey("log_entry.id"), nullable=False),
    Column("until_ms", BigInteger, nullable=False),
    Column("body", JSON, nullable=False),
    Index(None, "entry_id"),
)

photo = Table(
    "photo",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("entry_id", ForeignKey("log_entry.id"), nullable=False),
    Column("digest", String(64), nullable=False),  # of what was sent: the same sent twice is kept once
    Column("added_ms", BigInteger, nullable=False),
    Column("width", Integer, nullable=False),
    Column("height", Integer, nullable=False),
    UniqueConstraint("entry_id", "digest"),
)

alarm = Table(
    "alarm",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("subject_kind", String(16), nullable=False),
    Column("subject_id", String(128), nullable=False),
    Column("rule", String(32), nullable=False),
    Column("state", String(32), nullable=False),
    Column("holds_since_ms", BigInteger),
    Column("clear_since_ms", BigInteger),
    Column("raised_ms", BigInteger),
    Column("changed_ms", BigInteger, nullable=False),
    Column("shelved_until_ms", BigInteger),
    Column("reason", String(400), nullable=False),
    Column("finding", JSON),
    UniqueConstraint("subject_kind", "subject_id", "rule"),
    Index(None, "state"),
)

transition = Table(
    "transition",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("alarm_id", ForeignKey("alarm.id"), nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("before", String(32), nullable=False),
    Column("after", String(32), nullable=False),
    Column("cause", String(32), nullable=False),
    Column("by", String(80), nullable=False),
    Column("finding", JSON),
    Column("false_ms", BigInteger),  # when the keeper marked the alarm that began with this step as false
    Index(None, "alarm_id", "at_ms"),
)

condition = Table(
    "condition",
    metadata,
    Column("subject_kind", String(16), primary_key=True),
    Column("subject_id", String(128), primary_key=True),
    Column("at_ms", BigInteger, nullable=False),
    Column("body", JSON, nullable=False),
)

outbox = Table(
    "outbox",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("key", String(300), nullable=False),
    Column("target", String(64), nullable=False),
    Column("topic", String(300), nullable=False),
    Column("title", String(300), nullable=False),
    Column("body", Text, nullable=False),
    Column("created_ms", BigInteger, nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("due_ms", BigInteger),  # null: delivered, or given up
    Column("delivered_ms", BigInteger),
    Column("error", String(400), nullable=False),
    Column("priority", String(16)),
    Column("failing_since_ms", BigInteger),  # null: no try of it has failed
    Column("report", String(160), nullable=False),  # kind/name of the kept report it tells of, or nothing
    UniqueConstraint("key", "target"),
    Index(None, "due_ms"),
)

notice = Table(
    "notice",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("key", String(300), nullable=False),
    Column("target", String(64), nullable=False),
    Column("alarm_id", ForeignKey("alarm.id"), nullable=False),
    Column("subject_kind", String(16), nullable=False),
    Column("subject_id", String(128), nullable=False),
    Column("rule", String(32), nullable=False),
    Column("name", String(128), nullable=False),
    Column("cause", String(32), nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("due_ms", BigInteger),  # null: settled
    Column("priority", String(16), nullable=False),
    Column("forecast", Boolean, nullable=False),
    Column("value", Float),
    Column("limit", Float),
    Column("unit", String(16), nullable=False),
    Column("headline", String(400), nullable=False),
    Column("advice", Text, nullable=False),
    Column("caution", Text, nullable=False),
    Column("held", Boolean, nullable=False),
    Column("told_ms", BigInteger),
    Column("outcome", String(320), nullable=False),
    UniqueConstraint("key", "target"),
    Index(None, "due_ms"),
    Index(None, "target", "alarm_id"),
)

report = Table(
    "report",
    metadata,
    Column("kind", String(16), primary_key=True),
    Column("name", String(128), primary_key=True),
    Column("made_ms", BigInteger, nullable=False),
    Column("basis", JSON, nullable=False),  # what of the catalogue and the log it was first made from
    Column("body", JSON, nullable=False),
)

quarantine = Table(
    "quarantine",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("topic", String(300), nullable=False),
    Column("digest", String(64), nullable=False),
    Column("reason", String(400), nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("size", Integer, nullable=False),
    Column("times", Integer, nullable=False),
    Column("first_ms", BigInteger, nullable=False),
    Column("received_ms", BigInteger, nullable=False),
    UniqueConstraint("topic", "digest", "reason"),
)

arrival = Table(
    "arrival",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("digest", LargeBinary(32), nullable=False),
    Column("received_ms", BigInteger, nullable=False),
    UniqueConstraint("digest"),
)

account = Table(
    "account",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", String(40), nullable=False),
    Column("name_key", String(80), nullable=False),  # by which two names are the same
    Column("role", String(16), nullable=False),
    Column("hash", String(200), nullable=False),
    Column("made_ms", BigInteger, nullable=False),
    Column("signed_in_ms", BigInteger),
    UniqueConstraint("name_key"),
)

session = Table(
    "session",
    metadata,
    Column("digest", LargeBinary(32), primary_key=True),
    Column("account_id", ForeignKey("account.id"), nullable=False),
    Column("made_ms", BigInteger, nullable=False),
    Column("seen_ms", BigInteger, nullable=False),
    Index(None, "account_id"),
)

token = Table(
    "token",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", String(80), nullable=False),
    Column("digest", LargeBinary(32), nullable=False),
    Column("role", String(16), nullable=False),
    Column("made_ms", BigInteger, nullable=False),
    Column("until_ms", BigInteger, nullable=False),
    UniqueConstraint("name"),
    UniqueConstraint("digest"),
)

invitation = Table(
    "invitation",
    metadata,
    Column("digest", LargeBinary(32), primary_key=True),
    Column("role", String(16), nullable=False),
    Column("account_id", ForeignKey("account.id")),  # whose password it sets; null: it makes an account
    Column("until_ms", BigInteger, nullable=False),
)

audit = Table(
    "audit",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("at_ms", BigInteger, nullable=False),
    Column("who", String(120), nullable=False),
    Column("address", String(64), nullable=False),
    Column("what", String(300), nullable=False),
    Column("detail", Text, nullable=False),
    Index(None, "at_ms"),
)

lease = Table(
    "lease",
    metadata,
    Column("kind", String(16), primary_key=True),
    Column("piece", Integer, primary_key=True, autoincrement=False),
    Column("holder", String(32), nullable=False),
    Column("until_ms", BigInteger, nullable=False),
)

worker = Table(
    "worker",
    metadata,
    Column("kind", String(16), primary_key=True),
    Column("holder", String(32), primary_key=True),
    Column("until_ms", BigInteger, nullable=False),
)
