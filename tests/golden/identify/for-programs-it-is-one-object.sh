# the form of the manual: ranking of profile, score, fits, misfits; verdict
"$loomtap" identify "$root/captures/tarn-drive.log" -l "$root/signaldefs" --json |
  python3 -c 'import json, sys
r = json.load(sys.stdin)
print(r["verdict"], [(e["profile"], e["score"] > 0.9, len(e["fits"]) > 5, e["misfits"]) for e in r["ranking"]])'
