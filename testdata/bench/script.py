"""The straightforward script that BenchmarkAgainstTheScript of cmd/weighpost/running compares with, in Python.

For each port one thread reads a line, takes the weight out of it, appends a row to the balance's CSV file, syncs it,
publishes at QoS 1 and waits for the acknowledgement. It needs pyserial and paho-mqtt. Past 100 ports it reads the
pseudo-terminals as files: pyserial waits with select(2), which ends at descriptor 1,023, and needs five a port.

    python3 script.py HOST:PORT FOLDER PORTS
"""

import csv
import datetime
import json
import os
import signal
import sys
import threading

import paho.mqtt.client
import serial


def read(client, folder, number, ports):
    balance = f"b-{number}"
    path = f"{folder}/port-{number}"
    port = serial.Serial(path, 115200) if ports <= 100 else open(path, "rb")
    with open(f"{folder}/{balance}.csv", "w", newline="") as out:
        rows = csv.writer(out)
        while True:
            words = port.readline().decode("ascii", "replace").split()
            if len(words) < 3:
                continue
            try:
                float(words[1])
            except ValueError:
                continue
            at = datetime.datetime.now(datetime.timezone.utc).isoformat()
            rows.writerow([at, balance, words[1], words[2]])
            out.flush()
            os.fsync(out.fileno())
            payload = json.dumps({"balance": {"id": balance}, "time": at, "value": {"digits": words[1], "unit": words[2]}})
            client.publish(f"script/seed-bank/{balance}/weighing", payload, qos=1).wait_for_publish()


def connect(address):
    host, port = address.split(":")
    try:
        client = paho.mqtt.client.Client(paho.mqtt.client.CallbackAPIVersion.VERSION2, client_id="script")
    except AttributeError:  # paho-mqtt before version 2
        client = paho.mqtt.client.Client(client_id="script")
    client.connect(host, int(port))
    client.loop_start()
    return client


def main(address, folder, ports):
    client = connect(address)
    signal.signal(signal.SIGTERM, lambda *_: os._exit(0))
    for number in range(1, ports + 1):
        threading.Thread(target=read, args=(client, folder, number, ports), daemon=True).start()
    threading.Event().wait()


main(sys.argv[1], sys.argv[2], int(sys.argv[3]))
