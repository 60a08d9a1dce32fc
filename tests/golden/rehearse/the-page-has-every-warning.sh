"$loomtap" rehearse "$root/captures/tarn-drive.log" -p "$root/signaldefs/tarn-turbo.ini" --quiet \
    --html page.html > /dev/null
grep -c "<section>" page.html
grep -c "<svg" page.html
grep -o 'rect class="on[a-z]*"' page.html | sort | uniq -c
grep -c "wheels chocked" page.html
python3 - <<'END'
import xml.etree.ElementTree as tree
text = open('page.html', encoding='utf-8').read()
head = text.index('<body>')
body = tree.fromstring(text[head:text.index('</body>') + 7])
print(len(list(body.iter('tr'))), 'rows')
print(all(element.tag != 'script' for element in body.iter()))
END
