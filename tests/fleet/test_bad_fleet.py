"""Fleet files that cannot be used: each gets one sentence with file, key path, value and fix."""

import math

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from slopekit.errors import InputError
from slopekit.fleet.load import load_fleet

pytestmark = pytest.mark.fault

DRY = "schema = 1\n[conditions.dry]\nfriction = 0.35\nlimit_factor = 1.0\n"
RIDE = '[machines.m1]\nclass = "ride-on"\n'
STAND = '[machines.m1]\nclass = "stand-on"\n'
WALK = '[machines.m1]\nclass = "walk-behind"\n'
SIGNED = '[machines.m1.above_hazard_exception]\nwho = "a"\nwhen = 2024-05-31\nwhy = "b"\n'


def write(folder, text):
    path = folder / "fleet.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def assert_one_sentence(message, path):
    """One sentence that starts with the file, in a user's words and not in a library's."""
    assert message.startswith(f"{path}: ")
    assert "\n" not in message and message.endswith(".") and not message.endswith("..")
    # No full stop inside, other than in numbers, key paths and where a value is cut short.
    assert ". " not in message[len(str(path)) :].replace("...", "")
    for jargon in ("Input should", "pydantic", "validation", "Traceback", "NoneType"):
        assert jargon not in message


def refusal(folder, text):
    """The sentence without the file's name."""
    path = write(folder, text)
    with pytest.raises(InputError) as caught:
        load_fleet(path)
    message = str(caught.value)
    assert_one_sentence(message, path)
    return message[len(f"{path}: ") :]


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        (DRY + RIDE + "width_m = -1.2\n", ["machines.m1.width_m = -1.2", "must be over 0", "correct the number"]),
        (DRY + RIDE + "width_m = 0\n", ["machines.m1.width_m = 0", "must be over 0"]),
        (DRY + RIDE + "across_deg = 95\n", ["machines.m1.across_deg = 95", "at most 90 degrees"]),
        (DRY + RIDE + "up_down_deg = 90.001\n", ["machines.m1.up_down_deg = 90.001", "at most 90 degrees"]),
        (DRY + RIDE + "across_deg = -1\n", ["machines.m1.across_deg = -1", "at least 0 degrees"]),
        (DRY + RIDE + "limits.dry.across_deg = 91\n", ["machines.m1.limits.dry.across_deg = 91", "at most 90"]),
        (DRY + RIDE + "up_down_deg = 15\ncross_up_deg = 10\n", ["machines.m1.cross_up_deg = 10", "up_down_deg = 15"]),
        (DRY + RIDE + "across_deg = 12.5\ncross_across_deg = 12\n", ["cross_across_deg = 12.0 is under", "12.5 or"]),
        (DRY + RIDE + "cross_down_deg = 95\n", ["machines.m1.cross_down_deg = 95", "at most 90 degrees"]),
        (DRY + RIDE + 'discharge = "rear"\n', ['machines.m1.discharge = "rear"', "'right'", "'left'"]),
        (DRY + RIDE + 'tread = "knobbly"\n', ['machines.m1.tread = "knobbly"', "'smooth'", "'aggressive'"]),
        (DRY + RIDE + "[routes]\nentrance_reach_m = -1\n", ["routes.entrance_reach_m = -1", "at least 0"]),
        (DRY + RIDE + "[routes]\nentrance_rech_m = 1\n", ["routes.entrance_rech_m", "entrance_reach_m"]),
        (DRY + RIDE + "ceiling_deg = 100\n", ["machines.m1.ceiling_deg = 100", "at most 90"]),
        (DRY + RIDE + "efficiency = 80\n", ["machines.m1.efficiency = 80", "at most 1"]),
        (DRY + RIDE + "across_deg = nan\n", ["machines.m1.across_deg = nan", "plain number"]),
        (DRY + RIDE + "across_deg = inf\n", ["machines.m1.across_deg = inf", "plain number"]),
        (DRY + RIDE + f"across_deg = {'9' * 400}\n", ["machines.m1.across_deg = 999", "plain number"]),
        (DRY + RIDE + "across_deg = true\n", ["machines.m1.across_deg = true", "number of degrees"]),
        (DRY + RIDE + 'across_deg = "12.5"\n', ['machines.m1.across_deg = "12.5"', "type 12.5 without quotes"]),
        (DRY + RIDE + 'width_m = "wide"\n', ['machines.m1.width_m = "wide"', "type a number without quotes"]),
        (DRY + RIDE + 'roll_bar = "up"\n', ['machines.m1.roll_bar = "up"', "'fixed', 'folding', 'none'"]),
        (DRY + RIDE + "label = 3\n", ["machines.m1.label = 3", "between double quotes"]),
        (DRY + WALK + 'above_hazard = "no"\n', ['machines.m1.above_hazard = "no"', "true or false"]),
        # Misspelt keys.
        (DRY + RIDE + "acros_deg = 4\n", ["machines.m1.acros_deg = 4", "nearest known one is 'across_deg'"]),
        (DRY + '[machines.m1]\nclas = "ride-on"\n', ["machines.m1.clas", "nearest known one is 'class'."]),
        (DRY + RIDE + "[terain]\n", ["terain is not a table", "'terrain'"]),
        (DRY + RIDE + "[terrain]\nmachine_scal_m = 1\n", ["terrain.machine_scal_m = 1", "'machine_scale_m'"]),
        (DRY + RIDE + "[hazards]\nqqq = 1\n", ["hazards.qqq = 1", "known here are", "stand_off_m"]),
        (DRY + "fricton = 0.2\n" + RIDE, ["conditions.dry.fricton = 0.2", "'friction'"]),
        (DRY + RIDE + "limits.dry.acros_deg = 4\n", ["machines.m1.limits.dry.acros_deg = 4", "'across_deg'"]),
        (DRY + '[machines."a.b"]\nclass = "ride-on"\nwidht_m = 1\n', ['machines."a.b".widht_m = 1', "'width_m'"]),
        # What the file must have.
        (DRY, ["machines is missing", "no machines", "[machines.m1]"]),
        (DRY + "[machines]\n", ["machines is empty", "[machines.m1]"]),
        ("schema = 1\n" + RIDE, ["conditions is missing", "no conditions", "[conditions.dry]"]),
        ("schema = 1\n[conditions]\n" + RIDE, ["conditions is empty", "[conditions.dry]"]),
        (DRY.replace("schema = 1", "") + RIDE, ["schema is missing", "schema = 1"]),
        (DRY.replace("schema = 1", "schema = 2") + RIDE, ["schema = 2", "type schema = 1"]),
        (DRY + "[conditions.wet]\n" + RIDE, ["conditions.wet.friction is missing", "sliding friction"]),
        (DRY + "[machines.m1]\n", ["machines.m1.class is missing", '"hand crew".']),
        (DRY + '[[machines]]\nclass = "ride-on"\n', ["machines = a list", "[machines.m1]"]),
        ("terrain = 3\n" + DRY + RIDE, ["terrain = 3", "[terrain]"]),
        # Settings.
        (DRY.replace("0.35", "0") + RIDE, ["conditions.dry.friction = 0", "must be over 0"]),
        (DRY.replace("0.35", "2.5") + RIDE, ["conditions.dry.friction = 2.5", "at most 2"]),
        (DRY.replace("1.0", "1.1") + RIDE, ["conditions.dry.limit_factor = 1.1", "at most 1"]),
        (DRY + RIDE + '[terrain]\ngradient = "other"\n', ['terrain.gradient = "other"', "'horn'"]),
        (DRY + RIDE + '[hazards]\nstand_off_m = "5"\n', ['hazards.stand_off_m = "5"', "type 5 without quotes"]),
        (DRY + RIDE + "[hazards]\nstand_off_m = -1\n", ["hazards.stand_off_m = -1", "use the default"]),
        (DRY + RIDE + "[hazards]\nstand_off_m = nan\n", ["hazards.stand_off_m = nan", "plain number"]),
        (DRY + RIDE + "[runout]\nrolling = true\n", ["runout.rolling = true", "type a number"]),
        (DRY + RIDE + "[runout]\nrolling = 0\n", ["runout.rolling = 0", "must be over 0"]),
        (DRY + RIDE + "[runout]\nlook_m = 20\n", ["runout.look_m = 20", "at least 30"]),
        (DRY + RIDE + "[terrain]\nmax_margin_m = 100\n", ["terrain.max_margin_m = 100", "type 150 or more"]),
        (DRY + RIDE + "[soft_ground]\npressure_limit_kpa = 0\n", ["soft_ground.pressure_limit_kpa = 0", "over 0"]),
        # Ids.
        (DRY + '[machines."a b"]\nclass = "ride-on"\n', ['machines."a b"', "letters a to z, digits, - and _ only"]),
        (DRY + '[machines."a,b"]\nclass = "ride-on"\n', ['machines."a,b"', "not a machine id"]),
        (DRY + '[machines."é"]\nclass = "ride-on"\n', ["not a machine id"]),
        (DRY + "[conditions.Wet]\nfriction = 0.2\n" + RIDE, ["conditions.Wet", "lower-case"]),
        (DRY + "[conditions.after-rain]\nfriction = 0.2\n" + RIDE, ["conditions.after-rain", "lower-case"]),
        (DRY + RIDE + "limits.dri.across_deg = 4\n", ["machines.m1.limits.dri", "nearest known one is 'dry'"]),
        (DRY + RIDE + "limits.icy.across_deg = 4\n", ["machines.m1.limits.icy", "known are dry"]),
        # Who may work where.
        (DRY + RIDE + 'operator = "standing"\n', ['machines.m1.operator = "standing"', "class 'ride-on'", '"seated"']),
        (DRY + '[machines.m1]\nclass = "rideon"\n', ['machines.m1.class = "rideon"', "'hand crew'."]),
        (DRY + RIDE + "above_hazard = true\n", ["machines.m1.above_hazard = true", "seated operator is never"]),
        (DRY + RIDE + SIGNED, ["machines.m1.above_hazard_exception", "seated operator", "never permitted"]),
        (DRY + STAND + "above_hazard = true\n", ["machines.m1.above_hazard = true", "who, when and why"]),
        (DRY + WALK + SIGNED, ["machines.m1.above_hazard_exception", "above_hazard = true instead"]),
        (DRY + STAND + SIGNED.replace('why = "b"\n', ""), ["above_hazard_exception.why is missing", "all needed"]),
        (DRY + STAND + SIGNED.replace('"a"', '" "'), ["above_hazard_exception.who", "double quotes"]),
        (DRY + STAND + SIGNED.replace("2024-05-31", '"May"'), ["exception.when", '"May"', "2024-05-31"]),
    ],
)  # fmt: skip
def test_bad_file(tmp_path, text, parts):
    message = refusal(tmp_path, text)
    for part in parts:
        assert part in message


@pytest.mark.parametrize(
    ("typed", "instead"),
    [
        ("landing_length_m = 6.0", "by the friction of the condition on gentle ground"),
        ("landing_slope_deg = 5.0", "by runout.rolling on ground over runout.rolls_from_deg"),
        ("max_run_m = 150.0", "hazards are looked for up to runout.look_m round a parcel"),
        ("hazard_share = 0.05", "every path counts on which a machine has the energy to get to a hazard"),
        ('ways_down = "shares"', "every path counts"),
        ("fan_deg = 45.0", "every path counts"),
    ],
)
def test_a_setting_of_earlier_versions_says_what_replaced_it(tmp_path, typed, instead):
    message = refusal(tmp_path, DRY + RIDE + f"[runout]\n{typed}\n")
    assert message.startswith(f"runout.{typed} is no longer read: ")
    assert instead in message and message.endswith(", so delete the line.")


# Arithmetic: degrees = atan(rise / run). Of two readings of a ratio the flatter one is named.
@pytest.mark.parametrize(
    ("typed", "rise"),
    [
        ("3:1", 1 / 3),
        ("1:3", 1 / 3),
        ("2.5 : 1", 1 / 2.5),
        ("1 in 4", 1 / 4),
        ("1/6", 1 / 6),
        ("30 %", 0.3),
        ("30%", 0.3),
    ],
)
@pytest.mark.parametrize("quote", ['"', ""])
def test_slope_typed_otherwise_is_turned_into_degrees(tmp_path, typed, rise, quote):
    message = refusal(tmp_path, DRY + RIDE + f"across_deg = {quote}{typed}{quote}\n")
    exact = math.degrees(math.atan(rise))
    said = float(message.split(" is ")[-1].split(",")[0])
    assert 0.0 <= exact - said < 0.1
    assert "across_deg" in message and typed in message


def test_no_hint_for_a_ratio_of_nothing(tmp_path):
    assert "type a number of degrees" in refusal(tmp_path, DRY + RIDE + 'across_deg = "0:0"\n')


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        (DRY + RIDE + "across_deg =\n", ["line 7 'across_deg ='", "type a value", "or put # in front"]),
        (DRY + RIDE + "across_deg = # 12\n", ["line 7", "type a value after 'across_deg ='"]),
        (DRY + RIDE + "across_deg = twelve\n", ["line 7 'across_deg = twelve'", "plain degrees"]),
        (DRY + RIDE + "label = shed\n", ["line 7 'label = shed'", "is not TOML"]),
        (DRY + RIDE + RIDE, ["line 7 '[machines.m1]'", "twice"]),
        (DRY + RIDE + "across_deg = 4\nacross_deg = 5\n", ["line 8 'across_deg = 5'", "is not TOML"]),
        ("[conditions.dry\n", ["line 1", "is not TOML"]),
        ("label = " + "[" * 100_000, ["is not TOML"]),
        (f"n = {'9' * 5000}\n", ["is not TOML"]),
        (b"PK\x03\x04\x00\x00", ["is not TOML"]),
        (DRY.encode() + b'[machines.m1]\nlabel = "\xe9"\n', ["byte 0xe9 in line 6", "save the fleet file as UTF-8"]),
        (DRY.encode("utf-16"), ["not UTF-8"]),
    ],
    ids=range(12),
)
def test_not_toml(tmp_path, text, parts):
    message = refusal(tmp_path, text)
    for part in parts:
        assert part in message


def test_empty_file(tmp_path):
    assert "schema is missing" in refusal(tmp_path, "")


def test_several_slips_are_counted(tmp_path):
    text = DRY + RIDE + "width_m = -1\nspeed_kmh = -1\nefficiency = 2\n"
    assert refusal(tmp_path, text).endswith("(2 more things to correct after this).")


def test_no_such_file(tmp_path):
    path = tmp_path / "none.toml"
    with pytest.raises(InputError, match=r"none\.toml: there is no such fleet file; .*slopekit fleet new"):
        load_fleet(path)


def test_a_folder(tmp_path):
    with pytest.raises(InputError, match=r"cannot be read .* name a readable file"):
        load_fleet(tmp_path)


scalars = st.one_of(
    st.booleans(), st.integers(), st.floats(), st.sampled_from(["ride-on", "3:1", "", "none"]), st.dates(), st.just([])
)
keys = st.sampled_from(
    ["schema", "terrain", "machines", "conditions", "m1", "dry", "class", "across_deg", "limits", "friction", "x y", ""]
)
trees = st.recursive(scalars, lambda below: st.dictionaries(keys, below, max_size=4), max_leaves=12)


def toml(value):
    if isinstance(value, dict):
        return "{" + ", ".join(f'"{key}" = {toml(below)}' for key, below in value.items()) + "}"
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else str(value)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.dictionaries(keys, trees, max_size=5))
def test_whatever_is_typed_is_answered_with_a_sentence(tmp_path, tree):
    """Hardly any of these trees is a whole fleet file. None may end in anything but a fleet or a sentence."""
    path = write(tmp_path, "".join(f'"{key}" = {toml(value)}\n' for key, value in tree.items()))
    try:
        fleet = load_fleet(path)
    except InputError as error:
        assert_one_sentence(str(error), path)
    else:
        assert fleet.limits(next(iter(fleet.machines)), next(iter(fleet.conditions)))
