"""TLS in front of a plain server: use tls_relay.py CERTIFICATE KEY PORT. Prints the port it listens on; ends when the
file KEY is removed."""
import os
import socket
import ssl
import sys
import threading

certificate, key, port = sys.argv[1], sys.argv[2], int(sys.argv[3])
context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
context.load_cert_chain(certificate, key)
listening = socket.create_server(("127.0.0.1", 0))
listening.settimeout(0.05)
print(listening.getsockname()[1], flush=True)


def pump(source, sink):
    try:
        while data := source.recv(65536):
            sink.sendall(data)
    except OSError:
        pass
    for end in (source, sink):
        try:
            end.shutdown(socket.SHUT_RDWR)
        except OSError:
            pass


def serve(raw):
    try:
        raw.settimeout(20)
        secure = context.wrap_socket(raw, server_side=True)
        secure.settimeout(None)
        plain = socket.create_connection(("127.0.0.1", port))
    except OSError:
        raw.close()
        return
    threading.Thread(target=pump, args=(plain, secure), daemon=True).start()
    pump(secure, plain)


while os.path.exists(key):
    try:
        connection, _ = listening.accept()
    except TimeoutError:
        continue
    threading.Thread(target=serve, args=(connection,), daemon=True).start()
