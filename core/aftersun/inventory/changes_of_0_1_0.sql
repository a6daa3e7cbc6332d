-- What made the layouts since version 0.1.0, one change a paragraph, in order; the texts are those that it stored.
-- Never edited once released; a further version gets a file of its own.

-- A condition may have several sentences: it ends where one that the program made begins.
UPDATE ranking SET
    screening_reason = regexp_extract(
        reason,
        'Survey first: (.*?)(\. (Best way: |A safety matter: |Remaining life not known, |Export price not known, |Fuel price not known, ).*)?\.?$',
        1
    )
WHERE contains(reason, 'Survey first: ')

UPDATE call SET
    excluded_detail = regexp_extract(excluded_reason, 'less than (.+) days', 1),
    excluded_reason = 'quiet_period'
WHERE excluded_reason LIKE 'the last contact was less than % days ago'

UPDATE call SET
    excluded_detail = excluded_reason[12:],
    excluded_reason = 'short_of_capacity'
WHERE excluded_reason LIKE 'not enough %'

UPDATE cost_item SET
    every_year = starts_with(note, 'every year'),
    note = regexp_replace(note, '^(every year|after \d+ years)(; )?', '')

-- The shortages stand in run_capacity.
ALTER TABLE run_plan DROP COLUMN IF EXISTS shortage

ALTER TABLE offer ALTER COLUMN equipment SET DATA TYPE VARCHAR[]
USING CASE equipment::VARCHAR WHEN '' THEN [] ELSE string_split(equipment::VARCHAR, '+') END

-- The name of a capacity becomes its code.
UPDATE run_capacity SET
    name = regexp_replace(
        regexp_replace(
            regexp_replace(name, '^cash for materials$', 'materials_cash'), '^(.*) hours$', 'hours_\1'
        ),
        '^visits with (.*)$', 'visits_\1'
    )

UPDATE call SET
    excluded_detail = array_to_string(
        list_transform(
            string_split(excluded_detail, ', '),
            lambda name: regexp_replace(
                regexp_replace(
                    regexp_replace(name, '^cash for materials$', 'materials_cash'), '^(.*) hours$', 'hours_\1'
                ),
                '^visits with (.*)$', 'visits_\1'
            )
        ),
        ', '
    )
WHERE excluded_reason = 'short_of_capacity'

UPDATE cost_item SET
    trip_km = try_cast(regexp_extract(note, '^(\d+) km and ', 1) AS DOUBLE),
    trip_hours = try_cast(regexp_extract(note, ' and ([\d.]+) h there and back', 1) AS DOUBLE),
    out_of_reach = contains(note, 'farther than the company goes'),
    note = ''
WHERE kind = 'travel'

UPDATE cost_item SET
    roof_kind_unknown = regexp_matches(note, '(^|; )roof kind not known'),
    storeys_assumed = try_cast(regexp_extract(note, '(^|; )(\d+) storeys assumed$', 2) AS INTEGER),
    note = regexp_replace(
        note, '(^|; )(roof kind not known|(roof kind not known; )?\d+ storeys assumed)$', ''
    )
WHERE kind = 'access'

ALTER TABLE question ALTER COLUMN retrofits SET DATA TYPE VARCHAR[]
USING CASE
    WHEN retrofits IS NULL THEN []
    WHEN starts_with(retrofits::VARCHAR, '[') THEN retrofits::VARCHAR::VARCHAR[]
    ELSE string_split(retrofits::VARCHAR, ', ')
END

ALTER TABLE site_energy ADD COLUMN IF NOT EXISTS remark VARCHAR;
UPDATE site_energy SET
    station_far = contains(coalesce(remark, ''), ' km away'),
    station_steep = regexp_matches(coalesce(remark, ''), ' m (higher|lower)');
ALTER TABLE site_energy DROP COLUMN remark

ALTER TABLE run_assumption ADD COLUMN IF NOT EXISTS overridden VARCHAR;
UPDATE run_assumption SET
    replaced = coalesce(overridden, '') != '',
    replaced_by = nullif(nullif(regexp_extract(overridden, '^by (.*?)(; |$)', 1), 'the company'), ''),
    replaced_why = nullif(regexp_extract(overridden, '; (.*)$', 1), '');
ALTER TABLE run_assumption DROP COLUMN overridden

-- What the readings could not tell: the code by how the sentence began.
ALTER TABLE site_evidence ADD COLUMN IF NOT EXISTS remark VARCHAR;
UPDATE site_evidence SET
    factor_read = try_cast(regexp_extract(remark, 'a factor of ([\d.]+),', 1) AS DOUBLE),
    remarks = CASE
        WHEN coalesce(remark, '') = '' THEN []
        ELSE list_transform(
            string_split(remark, '; '),
            lambda text: CASE
                WHEN starts_with(text, 'output is curtailed') THEN 'curtailed'
                WHEN starts_with(text, 'no output is computed') THEN 'no_output'
                WHEN starts_with(text, 'no output is expected') THEN 'none_expected'
                WHEN starts_with(text, 'the readings give a factor') THEN 'beyond_bounds'
                WHEN starts_with(text, 'too few readings') THEN 'too_few'
                WHEN starts_with(text, 'a trend takes') THEN 'no_trend'
                WHEN starts_with(text, 'little output in low light') THEN 'low_light'
                ELSE text
            END
        )
    END;
ALTER TABLE site_evidence DROP COLUMN remark

ALTER TABLE reading_finding ADD COLUMN IF NOT EXISTS text VARCHAR;
ALTER TABLE reading_finding ADD COLUMN IF NOT EXISTS what_to_do VARCHAR;
UPDATE reading_finding SET
    gap_days = try_cast(regexp_extract(text, 'together ([\d.]+) days', 1) AS DOUBLE),
    gap_share = try_cast(regexp_extract(text, ' ([\d.]+) % of the time', 1) AS DOUBLE) / 100,
    late_h = try_cast(regexp_extract(text, ' lies ([\d.]+) h too ', 1) AS DOUBLE)
        * CASE WHEN contains(text, 'too early') THEN -1 ELSE 1 END,
    finding = CASE
        WHEN finding = 'unit' AND contains(text, 'MWh') THEN 'megawatt_hours'
        WHEN finding = 'unit' THEN 'watt_hours'
        WHEN finding = 'clock' AND contains(text, 'summer time') THEN 'summer_time'
        ELSE finding
    END;
ALTER TABLE reading_finding DROP COLUMN text;
ALTER TABLE reading_finding DROP COLUMN what_to_do

-- Runs from before there were offers: what is recommended is offered by itself.
INSERT INTO offer BY NAME
    SELECT
        run_id, site_id, retrofit AS offer, npv, npv_p90, npv_p50, npv_p10, chance_npv_positive, upfront,
        first_year_saving, false AS must_call, []::VARCHAR[] AS equipment
    FROM ranking
    WHERE status = 'recommended' AND run_id NOT IN (SELECT run_id FROM offer)

INSERT INTO offer_member BY NAME
    SELECT run_id, site_id, offer, offer AS retrofit, npv AS npv_alone, npv AS npv_added
    FROM offer
    WHERE run_id NOT IN (SELECT run_id FROM offer_member)

UPDATE call SET must_call = false WHERE must_call IS NULL AND retrofit IS NOT NULL
