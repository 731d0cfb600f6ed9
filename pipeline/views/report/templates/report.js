(function(){"use strict";
if(navigator.clipboard)document.querySelectorAll("code.all").forEach(function(c){var b=document.createElement("button");b.type="button";b.className="copy";b.textContent="copy";b.setAttribute("aria-label","Copy "+(c.dataset.what||c.textContent.slice(0,40)));b.addEventListener("click",function(){navigator.clipboard.writeText(c.textContent).then(function(){b.textContent="copied"},function(){b.textContent="not copied"})});c.after(" ",b)});
})();
