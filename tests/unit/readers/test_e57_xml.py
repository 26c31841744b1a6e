"""An E57 file makes the machine read no other file and open no connection, whatever its XML section names."""

import socket
import struct
import subprocess
import sys

import numpy as np
import pytest

import e57_files
from raw_exports import POINTS, read, refusal

DECLARED = '<?xml version="1.0" encoding="UTF-8"?>\n'
INSTANCE = "http://www.w3.org/2001/XMLSchema-instance"
# In a process of its own: the library's parser holds the interpreter while it waits for an answer.
SERVER = """
import socket
server = socket.create_server(("127.0.0.1", 0))
print(server.getsockname()[1], flush=True)
while True:
    link, _ = server.accept()
    print(link.recv(1000).split(b"\\r\\n")[0].decode(), flush=True)
    link.sendall(b"HTTP/1.0 404 none\\r\\n\\r\\n")
    link.close()
"""


@pytest.fixture(scope="module")
def server():
    """A function that gives what was asked of a server since the last call, and its address as ``url``."""
    with subprocess.Popen([sys.executable, "-c", SERVER], stdout=subprocess.PIPE, text=True) as process:
        port = int(process.stdout.readline())

        def asked():
            with socket.create_connection(("127.0.0.1", port)) as link:
                link.sendall(b"last\r\n")
                link.recv(1000)
            return list(iter(lambda: process.stdout.readline().strip(), "last"))

        asked.url = f"http://127.0.0.1:{port}/any"
        yield asked
        process.kill()


@pytest.fixture
def plain(tmp_path):
    """A sound file and its XML section without the declaration."""
    e57_files.write(tmp_path / "a.e57", e57_files.places(POINTS[0]))
    xml = e57_files.xml_of(tmp_path / "a.e57").decode()
    assert xml.startswith(DECLARED)
    return tmp_path / "a.e57", xml.removeprefix(DECLARED)


def doctype(url):
    return f'<!DOCTYPE e57Root [<!ENTITY any SYSTEM "{url}">]>\n<!-- -->'


def external(url):
    return f'<!DOCTYPE e57Root SYSTEM "{url}">\n'


@pytest.mark.parametrize("encoding", ["UTF-8", "UTF-16", "UTF-16LE", "UTF-16BE", "UTF-32", "cp037", "UTF-7"])
@pytest.mark.parametrize("declares", [True, False])
def test_a_document_type_in_any_encoding(plain, server, encoding, declares):
    path, xml = plain
    said = "ebcdic-cp-us" if encoding == "cp037" else encoding
    head = DECLARED.replace("UTF-8", said) if declares else ""
    tail = (external(server.url) + xml).encode(encoding)
    e57_files.put_xml(path, (head.encode("ascii" if encoding == "UTF-7" else encoding) + tail))
    # UTF-7 that is not declared reads as UTF-8
    plain_text = encoding == "UTF-8" or (encoding == "UTF-7" and not declares)
    expected = "its XML section holds '<!DOCTYPE'" if plain_text else "its XML section is not in UTF-8"
    assert expected in refusal(path)
    assert server() == []


def test_a_document_type_of_a_single_byte_encoding_or_after_a_byte_order_mark(plain, server):
    path, xml = plain
    for head in (DECLARED.replace("UTF-8", "ISO-8859-1"), "\ufeff" + DECLARED, DECLARED.replace("1.0", "1.1")):
        e57_files.put_xml(path, (head + external(server.url) + xml).encode())
        assert "its XML section" in refusal(path)
    assert server() == []


@pytest.mark.parametrize("before", range(9))
def test_a_document_type_across_the_end_of_a_page(plain, server, before):
    """The literal is cut by a checksum after ``before`` of its letters."""
    path, xml = plain
    start = e57_files.xml_place(path) + len(DECLARED)
    gap = " " * ((e57_files.CONTENT - start - before) % e57_files.CONTENT)
    e57_files.put_xml(path, (DECLARED + gap + external(server.url) + xml).encode())
    assert (start + len(gap) + before) % e57_files.CONTENT == 0
    assert "its XML section holds '<!DOCTYPE', which makes a reader fetch other files or addresses" in refusal(path)
    assert server() == []


@pytest.mark.parametrize("word", ["schemaLocation", "noNamespaceSchemaLocation"])
def test_a_schema_at_an_address(plain, server, word):
    path, xml = plain
    place = server.url if word.startswith("no") else f"http://www.astm.org/COMMIT/E57/2010-e57-v1.0 {server.url}"
    e57_files.put_xml(
        path, (DECLARED + xml.replace("<e57Root", f'<e57Root xmlns:i="{INSTANCE}" i:{word}="{place}"')).encode()
    )
    assert f"its XML section holds '{word}'" in refusal(path)
    assert server() == []


def test_an_entity_that_is_a_file_of_this_machine(plain, tmp_path):
    path, xml = plain
    (tmp_path / "private.txt").write_text("private")
    text = doctype(tmp_path / "private.txt") + xml.replace("ASTM E57 3D Imaging Data File", "&any;")
    e57_files.put_xml(path, (DECLARED + text).encode())
    assert "its XML section holds '<!DOCTYPE'" in refusal(path)


@pytest.mark.parametrize("head", [DECLARED, "", "\ufeff" + DECLARED, DECLARED.replace("UTF", "utf").replace('"', "'")])
def test_plain_utf8_is_read(plain, head):
    path, xml = plain
    e57_files.put_xml(path, (head + xml).encode())
    assert np.array_equal(read(path)[0], POINTS[0])


@pytest.mark.parametrize(
    ("at", "value", "sentence"),
    [
        (16, 10**9, "its header promises 1000000000 bytes, the file has"),
        (24, 10**9, "its header does not fit the file"),
        (24, 1023, "its header does not fit the file"),
        (24, 8, "its header does not fit the file"),
        (32, 10**9, "its header does not fit the file"),
        (32, 2**63, "its header does not fit the file"),
        (40, 4096, "its header does not fit the file"),
    ],
)
def test_headers_that_can_not_be_true(plain, at, value, sentence):
    path, _ = plain
    whole = bytearray(path.read_bytes())
    struct.pack_into("<Q", whole, at, value)
    path.write_bytes(bytes(whole))
    assert f"is damaged or cut short ({sentence}" in refusal(path)


def test_a_file_that_is_no_more_than_its_signature(tmp_path):
    (tmp_path / "a.e57").write_bytes(b"ASTM-E57")
    assert "is damaged or cut short (8 bytes are less than its header)" in refusal(tmp_path / "a.e57")
