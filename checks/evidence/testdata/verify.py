# Verifies an exported worksheet, written from FORMAT.md alone: Python's standard
# library for the chain, openssl for the signatures.
#   python3 verify.py worksheet.json PUBLIC_KEY.pem
import base64, hashlib, json, os, subprocess, sys, tempfile

def stop(record, why):
    print("record %d: %s" % (record, why))
    sys.exit(1)

sheet = json.load(open(sys.argv[1], encoding="utf-8"))
assert sheet["format"] == "loomproof worksheet 1"
pem = open(sys.argv[2]).read()
der = base64.b64decode("".join(pem.split("\n")[1:-2]))
given = der[-32:].hex()
before, signed = "", 0
for n, r in enumerate(sheet["records"], 1):
    link = "%s\n%d\n%s\n%s\n%s" % (before, r["seq"], r["at"], r["kind"], r["body"])
    if r["seq"] != n or hashlib.sha256(link.encode("utf-8")).hexdigest() != r["hash"]:
        stop(n, "changed, missing or moved")
    if r["kind"] in ("sign", "amend"):
        body = json.loads(r["body"])
        says = json.loads(body["statement"])
        if body["key"] != given:
            stop(n, "another key")
        if (says["worksheet"], says["record"], says["head"], says["at"], says["kind"]) != (sheet["worksheet"], n, before, r["at"], r["kind"]):
            stop(n, "it signs something else")
        with tempfile.TemporaryDirectory() as d:
            text, signature = os.path.join(d, "text"), os.path.join(d, "signature")
            open(text, "wb").write(body["statement"].encode("utf-8"))
            open(signature, "wb").write(bytes.fromhex(body["signature"]))
            done = subprocess.run(["openssl", "pkeyutl", "-verify", "-rawin", "-pubin", "-inkey", sys.argv[2], "-sigfile", signature, "-in", text], stdout=subprocess.DEVNULL)
            if done.returncode != 0:
                stop(n, "wrong signature")
        signed = n
    photograph = json.loads(r["body"]) if r["kind"] == "photograph" else says.get("photograph") if r["kind"] == "amend" else None
    if photograph:
        name = photograph["hash"] + {"image/jpeg": ".jpg", "image/png": ".png", "image/webp": ".webp"}[photograph["type"]]
        kept = open(os.path.join(os.path.dirname(sys.argv[1]), "photographs", name), "rb").read()
        if hashlib.sha256(kept).hexdigest() != photograph["hash"]:
            stop(n, "its photograph was changed")
    before = r["hash"]
if signed != len(sheet["records"]):
    stop(signed, "not everything is signed")
print("%d records, all signed" % signed)
