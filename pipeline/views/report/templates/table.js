// A table that is laid out as a grid loses its roles in some browsers; they are said here.
(function(){"use strict";
var table=document.querySelector("table.list");if(!table)return;
var body=table.tBodies[0],rows=Array.prototype.slice.call(body.rows),heads=Array.prototype.slice.call(table.tHead.rows[0].cells);
var texts=null,words=new Intl.Collator("en",{numeric:true});
// Hundreds of rows take longer than the page itself: they are gone through once it is there.
function told(){return texts=texts||rows.map(function(row){return row.textContent.toLowerCase()})}
rows.forEach(function(row,place){row.place=place});
addEventListener("load",function(){setTimeout(function(){told();
table.setAttribute("role","table");[table.tHead,body].forEach(function(part){part.setAttribute("role","rowgroup")});
rows.concat(table.tHead.rows[0]).forEach(function(row){row.setAttribute("role","row");
for(var i=0;i<row.cells.length;i++)row.cells[i].setAttribute("role",row.cells[i].scope==="col"?"columnheader":row.cells[i].scope==="row"?"rowheader":"cell")})},0)});
function arrange(column,turn){
var keyed=rows.map(function(row){return{row:row,key:row.cells[column].textContent.trim()}});
keyed.sort(function(a,b){if(column===0)return turn*(a.row.place-b.row.place);
if(!a.key!==!b.key)return a.key?-1:1;return turn*words.compare(a.key,b.key)||a.row.place-b.row.place});
var all=document.createDocumentFragment();keyed.forEach(function(one){all.appendChild(one.row)});body.appendChild(all);
heads.forEach(function(head,at){if(at===column)head.setAttribute("aria-sort",turn>0?"ascending":"descending");else head.removeAttribute("aria-sort")})}
heads.forEach(function(head,column){if(head.hasAttribute("data-still"))return;var button=document.createElement("button");button.type="button";button.textContent=head.textContent;
button.addEventListener("click",function(){arrange(column,head.getAttribute("aria-sort")==="ascending"?-1:1)});head.textContent="";head.appendChild(button)});
if(!table.hasAttribute("data-filter"))return;
var line=document.createElement("p"),label=document.createElement("label"),field=document.createElement("input"),count=document.createElement("output");
line.className="filter";label.textContent="Show only ";field.type="search";field.placeholder="board, part, reader, line …";field.autocomplete="off";label.appendChild(field);line.appendChild(label);line.appendChild(count);
table.parentNode.before(line);
field.addEventListener("input",function(){var asked=field.value.toLowerCase().split(/\s+/).filter(Boolean),texts=told(),shown=0;
for(var i=0;i<rows.length;i++){var fits=true,text=texts[i];for(var k=0;k<asked.length;k++)if(text.indexOf(asked[k])<0){fits=false;break}
if(fits)shown++;if(rows[i].hidden===fits)rows[i].hidden=!fits}
count.textContent=asked.length?shown+" of "+rows.length:""});
})();
