// The QR code's address carries the code behind the #, which is not sent.
const code = decodeURIComponent(location.hash.slice(1));
if (code) {
  document.getElementById("code").value = code;
  history.replaceState(null, "", location.pathname);
  document.getElementById("name").focus();
}
