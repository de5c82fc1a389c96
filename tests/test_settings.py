"""Settings: from the command line, then the environment; what cannot be used is named."""

import pytest

from api.settings import SettingsError, from_environment


def test_settings_come_from_the_command_line_then_the_environment() -> None:
    environment = {"HEATLEDGER_PORT": "9000", "HEATLEDGER_STORE_URL": "http://influx:8086"}
    settings = from_environment(environment, port=None, host="127.0.0.1")
    assert (settings.port, settings.store_url, settings.is_embedded_store) == (9000, "http://influx:8086", False)
    assert from_environment(environment, port=9001).port == 9001


@pytest.mark.parametrize(
    ("environment", "says"),
    [
        ({"HEATLEDGER_PORT": "many"}, "HEATLEDGER_PORT must be a whole number; it is 'many'"),
        ({"HEATLEDGER_PORT": "70000"}, "the port must be between 0 and 65535; it is 70000"),
        ({"HEATLEDGER_STORE_URL": "influx"}, "the store's address must be http://HOST:PORT; it is 'influx'"),
        ({"HEATLEDGER_STORE_API": "v9"}, "HEATLEDGER_STORE_API must be v1 or v2; it is 'v9'"),
    ],
)
def test_a_setting_that_cannot_be_used_is_named(environment: dict[str, str], says: str) -> None:
    with pytest.raises(SettingsError) as caught:
        from_environment(environment)
    assert str(caught.value) == says
