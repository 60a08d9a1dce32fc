"$loomtap" prove "$root/captures/tarn-drive.log" -p "$root/signaldefs/tarn-turbo.ini" --html page.html > /dev/null; echo "exit $?"
grep -c 'http:' page.html
grep -o '<p class="verdict">[a-z ]*' page.html
grep -o '<svg' page.html | wc -l
sha256sum < "$root/captures/tarn-drive.log" | cut -c1-64 | grep -c -f - page.html
