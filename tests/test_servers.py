"""The servers that other tests stand on can be started, stopped and started again with what they held."""

import sqlalchemy

from tests.servers import InfluxServer, MosquittoServer, PostgresServer, VictoriaServer


def test_mosquitto_comes_back_on_its_port(mosquitto_server: MosquittoServer) -> None:
    port = mosquitto_server.port
    mosquitto_server.stop()
    assert not mosquitto_server.is_ready()
    mosquitto_server.start()
    assert mosquitto_server.is_ready()
    assert mosquitto_server.port == port


def test_influx_gives_each_test_a_database(influx_server: InfluxServer) -> None:
    assert influx_server.is_ready()
    assert influx_server.new_database() != influx_server.new_database()


def test_victoria_answers(victoria_server: VictoriaServer) -> None:
    assert victoria_server.is_ready()


def test_postgres_gives_each_test_a_database(postgres_server: PostgresServer) -> None:
    engine = sqlalchemy.create_engine(postgres_server.new_database())
    with engine.connect() as connection:
        assert connection.execute(sqlalchemy.text("select 6 * 7")).scalar_one() == 42
    engine.dispose()
