"""The first tables."""

import sqlalchemy as sa
from alembic import op

revision = "0001_first"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "designs",
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_designs")),
        sa.UniqueConstraint("name", name=op.f("uq_designs_name")),
    )
    op.create_table(
        "lots",
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("variety", sa.String(length=120), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("received_on", sa.Date(), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("quantity >= 0", name=op.f("ck_lots_quantity")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lots")),
        sa.UniqueConstraint("name", name=op.f("uq_lots_name")),
    )
    op.create_table(
        "machines",
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("description", sa.Text(), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("min_diameter_mm", sa.Double(), nullable=False),
        sa.Column("max_diameter_mm", sa.Double(), nullable=False),
        sa.Column("max_height_mm", sa.Double(), nullable=True),
        sa.Column("kinds", sa.JSON(), nullable=False),
        sa.Column("fixture_class", sa.String(length=20), nullable=False),
        sa.Column("fixtures", sa.JSON(), nullable=False),
        sa.Column("build", sa.Text(), nullable=False),
        sa.Column("load_min", sa.Double(), nullable=False),
        sa.Column("unload_min", sa.Double(), nullable=False),
        sa.Column("attended", sa.Double(), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("attended BETWEEN 0 AND 1", name=op.f("ck_machines_attended")),
        sa.CheckConstraint("load_min >= 0 AND unload_min >= 0", name=op.f("ck_machines_load_and_unload")),
        sa.CheckConstraint(
            "min_diameter_mm >= 0 AND max_diameter_mm > min_diameter_mm", name=op.f("ck_machines_diameters")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_machines")),
        sa.UniqueConstraint("name", name=op.f("uq_machines_name")),
    )
    op.create_table(
        "seasons",
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("site", sa.String(length=120), nullable=False),
        sa.Column("time_zone", sa.String(length=64), nullable=False),
        sa.Column("opening_night", sa.Date(), nullable=False),
        sa.Column("last_night", sa.Date(), nullable=False),
        sa.Column("dusk", sa.Time(), nullable=False),
        sa.Column("placed_before_dusk_min", sa.Integer(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("last_night >= opening_night", name=op.f("ck_seasons_nights_in_order")),
        sa.CheckConstraint("placed_before_dusk_min >= 0", name=op.f("ck_seasons_placed_before_dusk")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_seasons")),
        sa.UniqueConstraint("name", name=op.f("uq_seasons_name")),
    )
    op.create_table(
        "works",
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("arguments", sa.JSON(), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("done", sa.Integer(), nullable=False),
        sa.Column("total", sa.Integer(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("claimed_by", sa.String(length=120), nullable=True),
        sa.Column("heartbeat_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("cancel_asked", sa.Boolean(), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("error", sa.Text(), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("done >= 0 AND total >= 0", name=op.f("ck_works_amounts")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_works")),
    )
    with op.batch_alter_table("works", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_works_state"), ["state"], unique=False)

    op.create_table(
        "breakdowns",
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("start_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("end_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("end_at > start_at", name=op.f("ck_breakdowns_end_after_start")),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_breakdowns_machine_id_machines")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_breakdowns")),
    )
    with op.batch_alter_table("breakdowns", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_breakdowns_machine_id"), ["machine_id"], unique=False)

    op.create_table(
        "cutters",
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("type_name", sa.String(length=120), nullable=False),
        sa.Column("description", sa.JSON(), nullable=False),
        sa.Column("life_left", sa.Double(), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("machine_id", sa.Integer(), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("life_left BETWEEN 0 AND 1", name=op.f("ck_cutters_life_left")),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name=op.f("fk_cutters_machine_id_machines")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cutters")),
        sa.UniqueConstraint("name", name=op.f("uq_cutters_name")),
    )
    with op.batch_alter_table("cutters", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_cutters_machine_id"), ["machine_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_cutters_type_name"), ["type_name"], unique=False)

    op.create_table(
        "design_versions",
        sa.Column("design_id", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("artwork", sa.LargeBinary(), nullable=False),
        sa.Column("file_name", sa.String(length=120), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("treatment", sa.String(length=20), nullable=True),
        sa.Column("width_mm", sa.Double(), nullable=False),
        sa.Column("height_mm", sa.Double(), nullable=False),
        sa.Column("approved_by", sa.String(length=120), nullable=True),
        sa.Column("approved_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("findings", sa.JSON(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "(approved_by IS NULL) = (approved_at IS NULL)", name=op.f("ck_design_versions_approved")
        ),
        sa.CheckConstraint("version >= 1", name=op.f("ck_design_versions_version")),
        sa.CheckConstraint("width_mm > 0 AND height_mm > 0", name=op.f("ck_design_versions_size")),
        sa.ForeignKeyConstraint(
            ["design_id"], ["designs.id"], name=op.f("fk_design_versions_design_id_designs")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_design_versions")),
        sa.UniqueConstraint("design_id", "version", name=op.f("uq_design_versions_design_id_version")),
    )
    op.create_table(
        "machine_shifts",
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("start_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("end_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("end_at > start_at", name=op.f("ck_machine_shifts_end_after_start")),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_machine_shifts_machine_id_machines")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_machine_shifts")),
        sa.UniqueConstraint("machine_id", "start_at", name=op.f("uq_machine_shifts_machine_id_start_at")),
    )
    op.create_table(
        "nights",
        sa.Column("season_id", sa.Integer(), nullable=False),
        sa.Column("night", sa.Date(), nullable=False),
        sa.Column("temperature_c", sa.Double(), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("temperature_c BETWEEN -60 AND 60", name=op.f("ck_nights_temperature")),
        sa.ForeignKeyConstraint(["season_id"], ["seasons.id"], name=op.f("fk_nights_season_id_seasons")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_nights")),
        sa.UniqueConstraint("season_id", "night", name=op.f("uq_nights_season_id_night")),
    )
    op.create_table(
        "plans",
        sa.Column("season_id", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("start_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("seed", sa.Integer(), nullable=False),
        sa.Column("seconds", sa.Double(), nullable=False),
        sa.Column("versions", sa.JSON(), nullable=False),
        sa.Column("problem", sa.JSON(), nullable=False),
        sa.Column("tiers", sa.JSON(), nullable=False),
        sa.Column("undone", sa.JSON(), nullable=False),
        sa.Column("published_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("published_by", sa.String(length=120), nullable=True),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["season_id"], ["seasons.id"], name=op.f("fk_plans_season_id_seasons")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_plans")),
    )
    with op.batch_alter_table("plans", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_plans_season_id"), ["season_id"], unique=False)
        batch_op.create_index(
            "uq_plans_published",
            ["season_id"],
            unique=True,
            sqlite_where=sa.text("state = 'published'"),
            postgresql_where=sa.text("state = 'published'"),
        )

    op.create_table(
        "proof_marks",
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("made_by", sa.String(length=120), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("voided_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("voided_by", sa.String(length=120), nullable=True),
        sa.Column("void_reason", sa.Text(), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "(voided_at IS NULL) = (void_reason IS NULL)", name=op.f("ck_proof_marks_void_has_reason")
        ),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_proof_marks_machine_id_machines")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_proof_marks")),
    )
    with op.batch_alter_table("proof_marks", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_proof_marks_machine_id"), ["machine_id"], unique=False)

    op.create_table(
        "stations",
        sa.Column("season_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("area", sa.String(length=120), nullable=False),
        sa.Column("size_class", sa.String(length=20), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("least_rating", sa.Integer(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("least_rating BETWEEN 1 AND 10", name=op.f("ck_stations_least_rating")),
        sa.ForeignKeyConstraint(["season_id"], ["seasons.id"], name=op.f("fk_stations_season_id_seasons")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stations")),
        sa.UniqueConstraint("season_id", "name", name=op.f("uq_stations_season_id_name")),
    )
    op.create_table(
        "workpieces",
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.String(length=40), nullable=False),
        sa.Column("diameter_mm", sa.Double(), nullable=False),
        sa.Column("height_mm", sa.Double(), nullable=False),
        sa.Column("ribs", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("store_place", sa.String(length=120), nullable=False),
        sa.Column("wall_default_mm", sa.Double(), nullable=True),
        sa.Column("hollowed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("clamp_number", sa.Integer(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("clamp_number >= 0", name=op.f("ck_workpieces_clamp_number")),
        sa.CheckConstraint("diameter_mm > 0 AND height_mm > 0", name=op.f("ck_workpieces_size")),
        sa.CheckConstraint("ribs >= 0", name=op.f("ck_workpieces_ribs")),
        sa.CheckConstraint("wall_default_mm > 0", name=op.f("ck_workpieces_wall_default")),
        sa.ForeignKeyConstraint(["lot_id"], ["lots.id"], name=op.f("fk_workpieces_lot_id_lots")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_workpieces")),
        sa.UniqueConstraint("number", name=op.f("uq_workpieces_number")),
    )
    with op.batch_alter_table("workpieces", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_workpieces_lot_id"), ["lot_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_workpieces_state"), ["state"], unique=False)

    op.create_table(
        "jobs",
        sa.Column("season_id", sa.Integer(), nullable=False),
        sa.Column("station_id", sa.Integer(), nullable=True),
        sa.Column("night", sa.Date(), nullable=False),
        sa.Column("workpiece_id", sa.Integer(), nullable=True),
        sa.Column("design_version_id", sa.Integer(), nullable=True),
        sa.Column("longitude_deg", sa.Double(), nullable=False),
        sa.Column("latitude_deg", sa.Double(), nullable=False),
        sa.Column("turn_deg", sa.Double(), nullable=False),
        sa.Column("mirror", sa.Boolean(), nullable=False),
        sa.Column("width_mm", sa.Double(), nullable=True),
        sa.Column("cutter_types", sa.JSON(), nullable=False),
        sa.Column("overrides", sa.JSON(), nullable=False),
        sa.Column("priority", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("latitude_deg BETWEEN -90 AND 90", name=op.f("ck_jobs_latitude")),
        sa.CheckConstraint("priority >= 1", name=op.f("ck_jobs_priority")),
        sa.CheckConstraint("width_mm > 0", name=op.f("ck_jobs_width")),
        sa.ForeignKeyConstraint(
            ["design_version_id"],
            ["design_versions.id"],
            name=op.f("fk_jobs_design_version_id_design_versions"),
        ),
        sa.ForeignKeyConstraint(["season_id"], ["seasons.id"], name=op.f("fk_jobs_season_id_seasons")),
        sa.ForeignKeyConstraint(["station_id"], ["stations.id"], name=op.f("fk_jobs_station_id_stations")),
        sa.ForeignKeyConstraint(
            ["workpiece_id"], ["workpieces.id"], name=op.f("fk_jobs_workpiece_id_workpieces")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_jobs")),
    )
    with op.batch_alter_table("jobs", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_jobs_design_version_id"), ["design_version_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_jobs_season_id"), ["season_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_jobs_state"), ["state"], unique=False)
        batch_op.create_index(batch_op.f("ix_jobs_station_id"), ["station_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_jobs_workpiece_id"), ["workpiece_id"], unique=False)

    op.create_table(
        "scans",
        sa.Column("workpiece_id", sa.Integer(), nullable=False),
        sa.Column("taken_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("clamp_number", sa.Integer(), nullable=False),
        sa.Column("tip_radius_mm", sa.Double(), nullable=False),
        sa.Column("points", sa.LargeBinary(), nullable=False),
        sa.Column("touches", sa.Integer(), nullable=False),
        sa.Column("file_name", sa.String(length=120), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("original", sa.Text(), nullable=False),
        sa.Column("fit_rms_mm", sa.Double(), nullable=True),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("voided_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("voided_by", sa.String(length=120), nullable=True),
        sa.Column("void_reason", sa.Text(), nullable=True),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("active = (void_reason IS NULL)", name=op.f("ck_scans_void_has_reason")),
        sa.CheckConstraint("tip_radius_mm >= 0", name=op.f("ck_scans_tip_radius")),
        sa.ForeignKeyConstraint(
            ["workpiece_id"], ["workpieces.id"], name=op.f("fk_scans_workpiece_id_workpieces")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_scans")),
    )
    with op.batch_alter_table("scans", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_scans_workpiece_id"), ["workpiece_id"], unique=False)
        batch_op.create_index(
            "uq_scans_active",
            ["workpiece_id"],
            unique=True,
            sqlite_where=sa.text("active"),
            postgresql_where=sa.text("active"),
        )

    op.create_table(
        "station_designs",
        sa.Column("station_id", sa.Integer(), nullable=False),
        sa.Column("design_id", sa.Integer(), nullable=False),
        sa.Column("rank", sa.Integer(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["design_id"], ["designs.id"], name=op.f("fk_station_designs_design_id_designs")
        ),
        sa.ForeignKeyConstraint(
            ["station_id"], ["stations.id"], name=op.f("fk_station_designs_station_id_stations")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_station_designs")),
        sa.UniqueConstraint("station_id", "design_id", name=op.f("uq_station_designs_station_id_design_id")),
    )
    with op.batch_alter_table("station_designs", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_station_designs_design_id"), ["design_id"], unique=False)

    op.create_table(
        "wall_readings",
        sa.Column("workpiece_id", sa.Integer(), nullable=False),
        sa.Column("longitude_deg", sa.Double(), nullable=False),
        sa.Column("latitude_deg", sa.Double(), nullable=False),
        sa.Column("wall_mm", sa.Double(), nullable=False),
        sa.Column("sigma_mm", sa.Double(), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("latitude_deg BETWEEN -90 AND 90", name=op.f("ck_wall_readings_latitude")),
        sa.CheckConstraint("sigma_mm > 0", name=op.f("ck_wall_readings_sigma")),
        sa.CheckConstraint("wall_mm > 0", name=op.f("ck_wall_readings_wall")),
        sa.ForeignKeyConstraint(
            ["workpiece_id"], ["workpieces.id"], name=op.f("fk_wall_readings_workpiece_id_workpieces")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_wall_readings")),
    )
    with op.batch_alter_table("wall_readings", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_wall_readings_workpiece_id"), ["workpiece_id"], unique=False)

    op.create_table(
        "plan_rows",
        sa.Column("plan_id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("step", sa.Integer(), nullable=False),
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("start_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("end_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("cutters", sa.JSON(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("end_at > start_at", name=op.f("ck_plan_rows_end_after_start")),
        sa.CheckConstraint("step >= 0", name=op.f("ck_plan_rows_step")),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_plan_rows_job_id_jobs")),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_plan_rows_machine_id_machines")
        ),
        sa.ForeignKeyConstraint(["plan_id"], ["plans.id"], name=op.f("fk_plan_rows_plan_id_plans")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_plan_rows")),
        sa.UniqueConstraint("plan_id", "job_id", "step", name=op.f("uq_plan_rows_plan_id_job_id_step")),
    )
    with op.batch_alter_table("plan_rows", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_plan_rows_job_id"), ["job_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_plan_rows_machine_id"), ["machine_id"], unique=False)

    op.create_table(
        "preparations",
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("inputs_digest", sa.String(length=64), nullable=False),
        sa.Column("folder", sa.Text(), nullable=False),
        sa.Column("run_s", sa.Double(), nullable=True),
        sa.Column("cutting_m", sa.Double(), nullable=True),
        sa.Column("wear", sa.JSON(), nullable=False),
        sa.Column("findings", sa.JSON(), nullable=False),
        sa.Column("outline_median_mm", sa.Double(), nullable=True),
        sa.Column("outline_p99_mm", sa.Double(), nullable=True),
        sa.Column("outline_max_mm", sa.Double(), nullable=True),
        sa.Column("depth_median_mm", sa.Double(), nullable=True),
        sa.Column("depth_max_mm", sa.Double(), nullable=True),
        sa.Column("prepared_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("engine_version", sa.String(length=40), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("run_s >= 0 AND cutting_m >= 0", name=op.f("ck_preparations_run")),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_preparations_job_id_jobs")),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_preparations_machine_id_machines")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_preparations")),
        sa.UniqueConstraint(
            "job_id",
            "machine_id",
            "inputs_digest",
            name=op.f("uq_preparations_job_id_machine_id_inputs_digest"),
        ),
    )
    with op.batch_alter_table("preparations", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_preparations_machine_id"), ["machine_id"], unique=False)

    op.create_table(
        "run_times",
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("preparation_id", sa.Integer(), nullable=True),
        sa.Column("eligible", sa.Boolean(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("run_min", sa.Double(), nullable=True),
        sa.Column("wear", sa.JSON(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("eligible OR reason <> ''", name=op.f("ck_run_times_barred_has_reason")),
        sa.CheckConstraint(
            "NOT eligible OR run_min IS NOT NULL", name=op.f("ck_run_times_eligible_has_time")
        ),
        sa.CheckConstraint("run_min >= 0", name=op.f("ck_run_times_run")),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_run_times_job_id_jobs")),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_run_times_machine_id_machines")
        ),
        sa.ForeignKeyConstraint(
            ["preparation_id"], ["preparations.id"], name=op.f("fk_run_times_preparation_id_preparations")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_run_times")),
        sa.UniqueConstraint("job_id", "machine_id", name=op.f("uq_run_times_job_id_machine_id")),
    )
    with op.batch_alter_table("run_times", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_run_times_machine_id"), ["machine_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_run_times_preparation_id"), ["preparation_id"], unique=False)

    op.create_table(
        "runs",
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("workpiece_id", sa.Integer(), nullable=False),
        sa.Column("preparation_id", sa.Integer(), nullable=True),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("outcome", sa.String(length=20), nullable=True),
        sa.Column("scrap_reason", sa.Text(), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "outcome <> 'scrapped' OR scrap_reason IS NOT NULL", name=op.f("ck_runs_scrap_has_reason")
        ),
        sa.CheckConstraint("(ended_at IS NULL) = (outcome IS NULL)", name=op.f("ck_runs_ended_has_outcome")),
        sa.CheckConstraint("ended_at >= started_at", name=op.f("ck_runs_end_after_start")),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_runs_job_id_jobs")),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name=op.f("fk_runs_machine_id_machines")),
        sa.ForeignKeyConstraint(
            ["preparation_id"], ["preparations.id"], name=op.f("fk_runs_preparation_id_preparations")
        ),
        sa.ForeignKeyConstraint(
            ["workpiece_id"], ["workpieces.id"], name=op.f("fk_runs_workpiece_id_workpieces")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_runs")),
    )
    with op.batch_alter_table("runs", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_runs_job_id"), ["job_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_runs_machine_id"), ["machine_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_runs_preparation_id"), ["preparation_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_runs_workpiece_id"), ["workpiece_id"], unique=False)
        batch_op.create_index(
            "uq_runs_open",
            ["machine_id"],
            unique=True,
            sqlite_where=sa.text("ended_at IS NULL"),
            postgresql_where=sa.text("ended_at IS NULL"),
        )

    op.create_table(
        "cutter_uses",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("cutter_id", sa.Integer(), nullable=False),
        sa.Column("metres", sa.Double(), nullable=False),
        sa.Column("minutes", sa.Double(), nullable=False),
        sa.Column("wear", sa.Double(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.CheckConstraint("metres >= 0 AND minutes >= 0 AND wear >= 0", name=op.f("ck_cutter_uses_amounts")),
        sa.ForeignKeyConstraint(["cutter_id"], ["cutters.id"], name=op.f("fk_cutter_uses_cutter_id_cutters")),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_cutter_uses_run_id_runs")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cutter_uses")),
        sa.UniqueConstraint("run_id", "cutter_id", name=op.f("uq_cutter_uses_run_id_cutter_id")),
    )
    with op.batch_alter_table("cutter_uses", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_cutter_uses_cutter_id"), ["cutter_id"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("cutter_uses", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_cutter_uses_cutter_id"))

    op.drop_table("cutter_uses")
    with op.batch_alter_table("runs", schema=None) as batch_op:
        batch_op.drop_index(
            "uq_runs_open",
            sqlite_where=sa.text("ended_at IS NULL"),
            postgresql_where=sa.text("ended_at IS NULL"),
        )
        batch_op.drop_index(batch_op.f("ix_runs_workpiece_id"))
        batch_op.drop_index(batch_op.f("ix_runs_preparation_id"))
        batch_op.drop_index(batch_op.f("ix_runs_machine_id"))
        batch_op.drop_index(batch_op.f("ix_runs_job_id"))

    op.drop_table("runs")
    with op.batch_alter_table("run_times", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_run_times_preparation_id"))
        batch_op.drop_index(batch_op.f("ix_run_times_machine_id"))

    op.drop_table("run_times")
    with op.batch_alter_table("preparations", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_preparations_machine_id"))

    op.drop_table("preparations")
    with op.batch_alter_table("plan_rows", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_plan_rows_machine_id"))
        batch_op.drop_index(batch_op.f("ix_plan_rows_job_id"))

    op.drop_table("plan_rows")
    with op.batch_alter_table("wall_readings", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_wall_readings_workpiece_id"))

    op.drop_table("wall_readings")
    with op.batch_alter_table("station_designs", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_station_designs_design_id"))

    op.drop_table("station_designs")
    with op.batch_alter_table("scans", schema=None) as batch_op:
        batch_op.drop_index(
            "uq_scans_active", sqlite_where=sa.text("active"), postgresql_where=sa.text("active")
        )
        batch_op.drop_index(batch_op.f("ix_scans_workpiece_id"))

    op.drop_table("scans")
    with op.batch_alter_table("jobs", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_jobs_workpiece_id"))
        batch_op.drop_index(batch_op.f("ix_jobs_station_id"))
        batch_op.drop_index(batch_op.f("ix_jobs_state"))
        batch_op.drop_index(batch_op.f("ix_jobs_season_id"))
        batch_op.drop_index(batch_op.f("ix_jobs_design_version_id"))

    op.drop_table("jobs")
    with op.batch_alter_table("workpieces", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_workpieces_state"))
        batch_op.drop_index(batch_op.f("ix_workpieces_lot_id"))

    op.drop_table("workpieces")
    op.drop_table("stations")
    with op.batch_alter_table("proof_marks", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_proof_marks_machine_id"))

    op.drop_table("proof_marks")
    with op.batch_alter_table("plans", schema=None) as batch_op:
        batch_op.drop_index(
            "uq_plans_published",
            sqlite_where=sa.text("state = 'published'"),
            postgresql_where=sa.text("state = 'published'"),
        )
        batch_op.drop_index(batch_op.f("ix_plans_season_id"))

    op.drop_table("plans")
    op.drop_table("nights")
    op.drop_table("machine_shifts")
    op.drop_table("design_versions")
    with op.batch_alter_table("cutters", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_cutters_type_name"))
        batch_op.drop_index(batch_op.f("ix_cutters_machine_id"))

    op.drop_table("cutters")
    with op.batch_alter_table("breakdowns", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_breakdowns_machine_id"))

    op.drop_table("breakdowns")
    with op.batch_alter_table("works", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_works_state"))

    op.drop_table("works")
    op.drop_table("seasons")
    op.drop_table("machines")
    op.drop_table("lots")
    op.drop_table("designs")
