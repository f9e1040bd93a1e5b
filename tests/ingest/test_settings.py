"""What `dryline.toml` may say, and how it is refused."""

from pathlib import Path

import pytest

from ingest.settings import Settings, SettingsError, read_settings


def settings_from(tmp_path: Path, text: str) -> Settings:
    path = tmp_path / "dryline.toml"
    path.write_text(text, encoding="utf-8")
    return read_settings(path)


def test_a_missing_file_means_the_defaults(tmp_path: Path) -> None:
    settings = read_settings(tmp_path / "dryline.toml")
    assert settings == Settings()
    assert settings.broker.host == "127.0.0.1"
    assert settings.dashboard.host == "127.0.0.1"


def test_every_table_of_the_plan_is_read(tmp_path: Path) -> None:
    settings = settings_from(
        tmp_path,
        """
        [broker]
        embedded = false
        host = "broker.lan"
        port = 8883
        username = "house"
        password_file = "broker.secret"
        tls_ca = "ca.pem"
        shared_group = "ingesters"
        [dashboard]
        port = 9000
        [grower]
        visits_per_week = 3
        weekdays = ["sat", "mon"]
        timezone = "Europe/Lisbon"
        units = "us"
        [alerts]
        quiet_hours = "22:00-07:00"
        """,
    )
    assert settings.broker.password_file == Path("broker.secret")
    assert settings.grower.weekdays == ("mon", "sat")
    assert settings.dashboard.port == 9000


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("[dashboard]\nprot = 1", r"there is no key dashboard\.prot; did you mean dashboard\.port\?"),
        ("[dashbord]\nport = 1", r"there is no key dashbord; did you mean dashboard\?"),
        ("visits_per_week = 1", r"there is no key visits_per_week; did you mean grower\.visits_per_week\?"),
        ("[grower]\nvisits_per_week = 0", r"grower\.visits_per_week: .*greater than or equal to 1"),
        ("[grower]\ntimezone = 'Europe/Lisbn'", r"not a time zone.*Europe/Lisbon"),
        ("[grower]\nweekdays = []", r"name at least one weekday"),
        (
            "[broker]\ningesters = 3",
            r"broker: several ingesters need embedded = false \(Mosquitto\) and a shared_group",
        ),
        ("[grower\n", r"not valid TOML"),
    ],
)
def test_a_wrong_file_is_refused_in_one_sentence_that_names_the_key(tmp_path: Path, text: str, sentence: str) -> None:
    with pytest.raises(SettingsError, match=sentence) as caught:
        settings_from(tmp_path, text)
    assert "\n" not in str(caught.value)
