#!/bin/sh
# Gives the program's account the password from .env, leaves the gateways' accounts as they are, and becomes the broker.
# Both files are its own and nobody else's to read, which the broker insists on.
#
# A gateway's account, with its site's id as user name:
#   docker compose exec broker mosquitto_passwd -b /mosquitto/data/passwords SITE PASSWORD
#   docker compose kill --signal HUP broker
set -eu
umask 077
passwords=/mosquitto/data/passwords
touch "$passwords"
cp /mosquitto/config/mosquitto.acl /mosquitto/data/acl
mosquitto_passwd -b "$passwords" heatledger "$BROKER_PASSWORD"
exec mosquitto -c /mosquitto/config/mosquitto.conf
