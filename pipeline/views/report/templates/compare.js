(function(){"use strict";
// A dump of one's own chip against the images of this page. All of it happens here: no byte leaves the page.
var box=document.getElementById("compare");if(!box||!window.FileReader||!window.Uint8Array)return;
var MOST=64*1024*1024,SHOWN=32,ways=box.dataset.ways;
// A line a chip: id, board, words, bits, which grade, apart, carried, digest, checks of its parts, words never read.
var here=box.dataset.chips.trim().split("\n").filter(Boolean).map(function(line){
var f=line.split("|"),e=document.getElementById("image-of-"+f[0]),sums=unpacked(f[8]),c={chip:f[0],words:+f[2],bits:+f[3],grade:"missing faulty contested self-checked corroborated repeatable single".split(" ")[f[4]]||f[4],apart:f[5]==="1",carried:f[6]==="1",digest:f[7],parts:[],absent:[]};
for(var i=0;i<sums.length;i+=2)c.parts.push(sums[i]<<8|sums[i+1]);
f[9].split("+").filter(Boolean).forEach(function(r){c.absent.push(r.split("-").map(Number))});
c.page=ways==="here"?"#chip-"+c.chip:ways==="pages"?"chips/"+encodeURIComponent(f[1])+"/"+encodeURIComponent(c.chip)+".html":"";
c.image=e?unpacked(e.dataset.image):null;return c});

// ---- SHA-256, FIPS 180-4. A page opened from a folder is no secure context and has no other.
var K=[],START=[];(function(){var n=2,i,prime;
function part(x){return Math.floor((x-Math.floor(x))*4294967296)|0}
while(K.length<64){prime=true;for(i=2;i*i<=n;i++)if(n%i===0)prime=false;
if(prime){if(START.length<8)START.push(part(Math.sqrt(n)));K.push(part(Math.cbrt(n)))}n++}})();
function sha256(bytes){
var h=START.slice(),w=new Int32Array(64),n=bytes.length,blocks=(n+9+63)>>>6,tail=new Uint8Array(128),at,i;
var full=n>>>6,rest=n-full*64;tail.set(bytes.subarray(full*64));tail[rest]=128;
var end=(blocks-full)*64,high=Math.floor(n/536870912),low=n*8>>>0;
for(i=0;i<4;i++){tail[end-1-i]=low>>>8*i&255;tail[end-5-i]=high>>>8*i&255}
for(var b=0;b<blocks;b++){
var from=b<full?bytes:tail;at=b<full?b*64:(b-full)*64;
for(i=0;i<16;i++,at+=4)w[i]=from[at]<<24|from[at+1]<<16|from[at+2]<<8|from[at+3];
for(;i<64;i++){var x=w[i-15],y=w[i-2];
w[i]=(((y>>>17|y<<15)^(y>>>19|y<<13)^y>>>10)+w[i-7]|0)+(((x>>>7|x<<25)^(x>>>18|x<<14)^x>>>3)+w[i-16]|0)|0}
var A=h[0],B=h[1],C=h[2],D=h[3],E=h[4],F=h[5],G=h[6],H=h[7];
for(i=0;i<64;i++){
var t=((H+((E>>>6|E<<26)^(E>>>11|E<<21)^(E>>>25|E<<7))|0)+((E&F^~E&G)+K[i]|0)|0)+w[i]|0;
var u=((A>>>2|A<<30)^(A>>>13|A<<19)^(A>>>22|A<<10))+(A&B^A&C^B&C)|0;
H=G;G=F;F=E;E=D+t|0;D=C;C=B;B=A;A=t+u|0}
h=[h[0]+A|0,h[1]+B|0,h[2]+C|0,h[3]+D|0,h[4]+E|0,h[5]+F|0,h[6]+G|0,h[7]+H|0]}
return h.map(function(v){return(v>>>0).toString(16).padStart(8,"0")}).join("")}

// ---- The upper 16 bits of the CRC-32 of parts of an image, which tell a chip whose dump differs in a few bits.
var TABLE=new Int32Array(256).map(function(_,n){for(var k=0;k<8;k++)n=n&1?n>>>1^0xEDB88320:n>>>1;return n});
function crc32(bytes){var c=-1;for(var i=0;i<bytes.length;i++)c=TABLE[(c^bytes[i])&255]^c>>>8;return(c^-1)>>>16}
function parts(bytes,count){var out=[],n=bytes.length;
for(var i=0;i<count;i++)out.push(crc32(bytes.subarray(Math.floor(i*n/count),Math.floor((i+1)*n/count))));return out}
// The first 96 bits of a digest, as this page holds it.
function brief(hex){return btoa(hex.slice(0,24).replace(/../g,function(two){return String.fromCharCode(parseInt(two,16))}))}
function unpacked(text){var raw=atob(text),out=new Uint8Array(raw.length);for(var i=0;i<raw.length;i++)out[i]=raw.charCodeAt(i);return out}

// ---- What a file holds: bytes, which of them it has, and the address of the first.
function Refused(what){this.what=what}
function laid(pieces,line){
if(!pieces.length)throw new Refused("it holds no data");
var low=Infinity,high=0;
pieces.forEach(function(p){low=Math.min(low,p.at);high=Math.max(high,p.at+p.bytes.length)});
if(high-low>MOST)throw new Refused("its addresses span more than 64 MiB");
var bytes=new Uint8Array(high-low).fill(255),has=new Uint8Array(high-low),missing=high-low;
pieces.forEach(function(p){for(var i=0;i<p.bytes.length;i++){var a=p.at-low+i;
if(has[a]&&bytes[a]!==p.bytes[i])throw new Refused("line "+p.line+": 0x"+(low+a).toString(16).toUpperCase()+" was given another byte before");
if(!has[a])missing--;has[a]=1;bytes[a]=p.bytes[i]}});
return{bytes:bytes,has:missing?has:null,missing:missing,at:low}}
function pairs(text,line){if(text.length%2||/[^0-9A-Fa-f]/.test(text))throw new Refused("line "+line+": not pairs of hexadecimal digits");
var out=[];for(var i=0;i<text.length;i+=2)out.push(parseInt(text.substr(i,2),16));return out}
function total(bytes){return bytes.reduce(function(a,b){return a+b},0)&255}
function intelHex(lines){
var out=[],base=0,segment=false,ended=false;
lines.forEach(function(text,n){n++;text=text.trim();if(!text||ended)return;
if(text[0]!==":")throw new Refused("line "+n+": no colon at its beginning");
var b=pairs(text.slice(1),n);
if(b.length<5||b.length!==b[0]+5)throw new Refused("line "+n+": its length does not agree with its first byte");
if(total(b))throw new Refused("line "+n+": its checksum is wrong");
var offset=b[1]*256+b[2],data=b.slice(4,-1);
if(b[3]===0){if(segment)data.forEach(function(v,i){out.push({at:base+(offset+i&65535),bytes:[v],line:n})});
else out.push({at:base+offset,bytes:data,line:n})}
else if(b[3]===1)ended=true;
else if((b[3]===2||b[3]===4)&&data.length===2){segment=b[3]===2;base=(data[0]*256+data[1])*(segment?16:65536)}
else if(b[3]!==3&&b[3]!==5)throw new Refused("line "+n+": no record type "+b[3]+" with "+data.length+" bytes")});
if(!ended)throw new Refused("it does not end with an end record: it may be cut off");
return laid(out)}
function sRecords(lines){
var out=[];
lines.forEach(function(text,n){n++;text=text.trim();if(!text)return;
if(!/^S[0-9]/.test(text))throw new Refused("line "+n+": no S and digit at its beginning");
var kind=+text[1],b=pairs(text.slice(2),n);
if(b.length<3||b.length!==b[0]+1)throw new Refused("line "+n+": its length does not agree with its first byte");
if(total(b)!==255)throw new Refused("line "+n+": its checksum is wrong");
if(kind>0&&kind<4){var at=0;for(var i=1;i<kind+2;i++)at=at*256+b[i];
if(b.length<kind+3)throw new Refused("line "+n+": too short for its address");
out.push({at:at,bytes:b.slice(kind+2,-1),line:n})}});
return laid(out)}
function hexText(lines){
var rows=[],steps={};
lines.forEach(function(text,n){n++;
text=text.replace(/\|.*$/,"").replace(/^\s*[#;].*$/,"").trim();if(!text)return;
var found=/^(?:0[xX]|\$)?([0-9A-Fa-f]{2,8})[hH]?\s*[:>]\s*(.*)$/.exec(text)||/^(?:0[xX]|\$)?([0-9A-Fa-f]{3,8})[hH]?\s+([0-9A-Fa-f]{1,2}(?:[\s,].*)?)$/.exec(text);
rows.push({line:n,at:found?parseInt(found[1],16):null,text:found?found[2]:text})});
var addressed=rows.filter(function(r){return r.at!==null}).length;
if(addressed&&addressed!==rows.length)throw new Refused("some of its lines have an address and some have none");
// Words of four digits at addresses that count words.
var first=rows[0]&&rows[0].text.split(/[\s,]+/).filter(Boolean),step=rows.length>1?rows[1].at-rows[0].at:0;
var unit=addressed&&first&&first.length===step&&first.every(function(w){return w.length===4})?2:1,last=0,out=[],next=0;
rows.forEach(function(r,i){
var room=addressed&&i+1<rows.length&&rows[i+1].at>r.at?(rows[i+1].at-r.at)*unit:last||Infinity,bytes=[],word,each=/([\s,]*)([^\s,]+)/g;
while((word=each.exec(r.text))){
// What stands apart behind as many bytes as the addresses leave room for is the column of characters.
if(addressed&&bytes.length>=room&&word[1].length>1)break;
var digits=word[2].replace(/^(0[xX]|\$)/,"").replace(/[hH]$/,"");
if(!/^[0-9A-Fa-f]+$/.test(digits)){if(addressed&&bytes.length)break;throw new Refused("line "+r.line+": “"+word[2].slice(0,20)+"” is no hexadecimal number")}
if(digits.length===1)bytes.push(parseInt(digits,16));else bytes=bytes.concat(pairs(digits.length%2?"0"+digits:digits,r.line))}
if(!last&&room<Infinity)last=room;
out.push({at:addressed?r.at*unit:next,bytes:bytes,line:r.line});next+=bytes.length});
return laid(out)}
function understood(bytes){
var out=[],told="";
if(bytes.length)out.push({form:"binary",bytes:bytes,has:null,missing:0,at:0});
for(var i=0;i<bytes.length;i++)if(bytes[i]>126||bytes[i]<32&&bytes[i]!==9&&bytes[i]!==10&&bytes[i]!==13&&bytes[i]!==26&&bytes[i]!==12)return{read:out,told:""};
var text="";for(i=0;i<bytes.length;i+=32768)text+=String.fromCharCode.apply(null,bytes.subarray(i,i+32768));
var lines=text.replace(/\x1a+\s*$/,"").split(/\r\n|\n|\r/),first=(lines.find(function(l){return l.trim()})||"").trim();
var form=first[0]===":"?"Intel HEX":/^S[0-9][0-9A-Fa-f]{2}/.test(first)?"S-record":"hex text";
try{var one={"Intel HEX":intelHex,"S-record":sRecords,"hex text":hexText}[form](lines);one.form=form;out.unshift(one)}
catch(e){if(!(e instanceof Refused))throw e;told="As "+form+" it cannot be read: "+e.what+"."}
return{read:out,told:told}}

// ---- The same bytes as an image of words of so many bits may have been written.
function forms(read,bits){
var b=read.bytes,out=[{how:"",bytes:b,has:read.has}],i;
function spread(high){var o=new Uint8Array(b.length*2),h=read.has?new Uint8Array(o.length):null;
for(i=0;i<b.length;i++){o[2*i]=high?b[i]>>4:b[i]&15;o[2*i+1]=high?b[i]&15:b[i]>>4;if(h)h[2*i]=h[2*i+1]=read.has[i]}return{bytes:o,has:h}}
if(bits<8){var low=(1<<bits)-1;if(b.some(function(v){return v>low}))out.push({how:"the "+(8-bits)+" upper bits of each byte left out",bytes:b.map(function(v){return v&low}),has:read.has})}
if(bits<=4&&b.length<=MOST/2){var one=spread(true),two=spread(false);
out.push({how:"two words a byte, the upper half first",bytes:one.bytes,has:one.has},{how:"two words a byte, the lower half first",bytes:two.bytes,has:two.has})}
if(bits>8&&b.length%2===0){var s=new Uint8Array(b.length),g=read.has?new Uint8Array(b.length):null;
for(i=0;i<b.length;i++){s[i]=b[i^1];if(g)g[i]=read.has[i^1]}out.push({how:"the bytes of each word exchanged",bytes:s,has:g})}
return out}
// The part of a file that can stand for a chip: all of it, its one copy of several, or a stretch at its address.
function placed(form,at,size){
var n=form.bytes.length,out=[],has;
if(n===size)out.push({how:form.how,bytes:form.bytes,has:form.has});
else if(n>size&&n%size===0){var same=true;for(var i=size;i<n;i++)if(form.bytes[i]!==form.bytes[i-size]){same=false;break}
if(same)out.push({how:join(form.how,n/size+" copies of it in one file"),bytes:form.bytes.subarray(0,size),has:form.has?form.has.subarray(0,size):null});
else for(i=0;i<Math.min(n/size,64);i++)out.push({how:join(form.how,"the stretch of the file from byte 0x"+(i*size).toString(16).toUpperCase()),bytes:form.bytes.subarray(i*size,(i+1)*size),has:form.has?form.has.subarray(i*size,(i+1)*size):null})}
else if(n<size&&n){var from=at%size+n<=size?at%size:0,b=new Uint8Array(size).fill(255);has=new Uint8Array(size);
b.set(form.bytes,from);if(form.has)has.set(form.has,from);else has.fill(1,from,from+n);out.push({how:form.how,bytes:b,has:has})}
return out}
function join(a,b){return a?a+", "+b:b}

// ---- Against one image, word for word.
function wide(c){return c.bits>8?Math.ceil(c.bits/8):1}
function word(bytes,at,step){var v=0;for(var i=0;i<step;i++)v=v*256+bytes[at*step+i];return v}
function ones(v){var n=0;while(v){n+=v&1;v=v>>>1}return n}
function against(c,image,mine){
var step=wide(c),d={words:[],count:0,bits:0,compared:0,up:{},down:{},form:mine},unread=new Uint8Array(c.words);
c.absent.forEach(function(r){unread.fill(1,r[0],r[1])});
for(var a=0;a<c.words;a++){
var there=!unread[a];for(var i=0;mine.has&&i<step;i++)if(!mine.has[a*step+i])there=false;
if(!there)continue;d.compared++;
var one=word(image,a,step),two=word(mine.bytes,a,step),x=(one^two)>>>0;if(!x)continue;
d.count++;d.bits+=ones(x);if(d.words.length<SHOWN)d.words.push([a,one,two]);
for(i=0;x>>>i;i++)if(x>>>i&1){var side=two>>>i&1?d.up:d.down;side[i]=(side[i]||0)+1}}
return d}
function nearest(c,reads){
var best=null;
reads.forEach(function(read){forms(read,c.bits).forEach(function(form){placed(form,read.at,c.words*wide(c)).forEach(function(mine){
var d=against(c,c.image,mine);d.read=read;
if(d.compared&&(!best||d.compared-d.count>best.compared-best.count||d.compared-d.count===best.compared-best.count&&d.bits<best.bits))best=d})})});
return best}
// ---- Against digests alone: which chips hold just this, and which hold most of its parts.
function known(reads){
var same=[],alike=[],seen={};
here.forEach(function(c){
reads.forEach(function(read){forms(read,c.bits).forEach(function(form){placed(form,read.at,c.words*wide(c)).forEach(function(mine){
if(mine.has||same.indexOf(c)>=0)return;
var key=mine.how+"/"+read.form+"/"+mine.bytes.length+"/"+mine.bytes.byteOffset+"/"+form.how,digest=seen[key]||(seen[key]=brief(sha256(mine.bytes)));
if(digest===c.digest){same.push(c);c.how=mine.how;c.form=read.form;return}
if(!c.parts.length)return;
var own=parts(mine.bytes,c.parts.length),telling=0,hits=0;
c.parts.forEach(function(p,i){if(!p)return;telling++;if(p===own[i])hits++});
if(hits&&hits*2>=telling&&(!c.hits||hits>c.hits)){c.hits=hits;c.telling=telling;if(alike.indexOf(c)<0)alike.push(c)}})})})});
return{same:same,alike:alike.filter(function(c){return same.indexOf(c)<0}).sort(function(a,b){return b.hits/b.telling-a.hits/a.telling})}}

// ---- What is said.
function many(n,one,more){return n.toLocaleString("en-US")+" "+(n===1?one:more||one+"s")}
function hex(v,digits){return v.toString(16).toUpperCase().padStart(digits,"0")}
function put(parent,tag,text,name){var e=document.createElement(tag);if(text!==undefined)e.textContent=text;if(name)e.className=name;parent.appendChild(e);return e}
function link(parent,c){if(c.page){var a=put(parent,"a",c.chip);a.href=c.page}else put(parent,"b",c.chip)}
function list(found){return Object.keys(found).map(Number).sort(function(a,b){return b-a})}
function identical(out,c,how,form,digest){
var p=put(out,"p",undefined,"same");put(p,"b","Identical");p.append(" to ");link(p,c);p.append(": all "+many(c.words,"word")+(how?" ("+how+")":"")+".");
if(c.apart)put(out,"p","The image of "+c.chip+" is itself "+c.grade+" and kept apart: that yours is the same does not make it sound.");
else put(out,"p","The grade of the image here is "+c.grade+"; a further copy of the same content bears it out where your chip was read with another reader.","soft")}
function differing(out,c,d){
var p=put(out,"p",undefined,"differs"),digits=Math.max(3,Math.ceil(Math.log2(Math.max(2,c.words))/4)),wide=Math.ceil(c.bits/4);
put(p,"b",d.count?"Differs":"The same");p.append(d.count?" from ":" as ");link(p,c);
p.append(d.count?" in "+many(d.bits,"bit")+" of "+many(d.count,"word")+", of "+many(d.compared,"word")+" compared":", as far as your file goes: "+d.compared.toLocaleString("en-US")+" of its "+many(c.words,"word"));
p.append(d.form.how?" ("+d.form.how+").":".");
if(d.compared<c.words)put(out,"p",many(c.words-d.compared,"word")+" of the chip "+(c.words-d.compared===1?"is":"are")+" not in your file, or not read here; nothing is said of them.");
if(!d.count)return;
if(d.count*2>d.compared)put(out,"p","So much differs that it is another chip or another revision, or was read with lines in another order, which wellread compare tells.");
var lines=list(Object.assign({},d.up,d.down)).map(function(i){var up=d.up[i]||0,down=d.down[i]||0;
return"D"+i+": "+many(up+down,"bit")+" ("+[up?up.toLocaleString("en-US")+" read 1 in yours and 0 here":"",down?down.toLocaleString("en-US")+" read 0 in yours and 1 here":""].filter(Boolean).join(", ")+")"});
put(out,"p","By data line: "+lines.join("; ")+".");
var scroll=put(out,"div",undefined,"scroll");scroll.tabIndex=0;scroll.setAttribute("role","region");scroll.setAttribute("aria-label","Words that differ from "+c.chip);
var table=put(scroll,"table"),head=put(put(table,"thead"),"tr"),body=put(table,"tbody");
["Address","Here","Yours","Bits that differ"].forEach(function(t){put(head,"th",t).scope="col"});
d.words.forEach(function(w){var row=put(body,"tr"),x=(w[1]^w[2])>>>0,bits=[];put(row,"th","0x"+hex(w[0],digits)).scope="row";
put(row,"td",hex(w[1],wide));put(row,"td",hex(w[2],wide));
for(var i=c.bits-1;i>=0;i--)if(x>>>i&1)bits.push("D"+i);put(row,"td",bits.join(", "))});
if(d.count>d.words.length)put(out,"p","And "+many(d.count-d.words.length,"more word")+".","soft")}
function tell(out,name,bytes){
var found=understood(bytes),reads=found.read,d;
put(out,"h3",name||"Your file");
put(out,"p",many(bytes.length,"byte")+(reads.length?", read as "+reads[0].form+(reads[0].form==="binary"?"":": "+many(reads[0].bytes.length,"byte")+" from address 0x"+hex(reads[0].at,3)):"")+".","soft");
if(found.told)put(out,"p",found.told);
if(!reads.length){put(out,"p","The file is empty: there is nothing to compare.");return}
var sum=put(out,"p","SHA-256 ","soft");put(sum,"code",sha256(reads[0].bytes),"all");
if(reads[0].missing)put(out,"p",many(reads[0].missing,"byte")+" between its addresses "+(reads[0].missing===1?"is":"are")+" not in the file.");
here.forEach(function(c){delete c.hits;delete c.telling});
var k=known(reads);k.same.forEach(function(c){identical(out,c,c.how,c.form)});
if(k.same.length)return;
var carried=here.filter(function(c){return c.image&&c.image.length===c.words*wide(c)});
var best=carried.map(function(c){d=nearest(c,reads);return d&&{c:c,d:d}}).filter(Boolean).sort(function(a,b){return a.d.count/a.d.compared-b.d.count/b.d.compared||b.d.compared-a.d.compared});
if(best.length&&(here.length===1||best[0].d.count*2<=best[0].d.compared)){
if(!best[0].d.count&&best[0].d.compared===best[0].c.words){identical(out,best[0].c,best[0].d.form.how,"");return}
differing(out,best[0].c,best[0].d);return}
if(k.alike.length){k.alike.slice(0,5).forEach(function(c){var p=put(out,"p",undefined,"differs");put(p,"b","Nearly");p.append(" ");link(p,c);
p.append(": "+c.hits+" of "+many(c.telling,"part")+" of the image "+(c.hits===1?"is":"are")+" the same. "+(c.carried?"Its own page says in which bits the rest differs.":"No page carries this image; wellread compare says in which bits the rest differs."))});return}
put(out,"p",undefined,"differs").append(here.length===1?"No comparison with "+here[0].chip+" is possible: your file holds "+many(reads[0].bytes.length,"byte")+", the chip "+many(here[0].words,"word")+" of "+many(here[0].bits,"bit")+".":"No chip of this page has this content.");
var sized=here.filter(function(c){return reads.some(function(r){return forms(r,c.bits).some(function(f){return f.bytes.length===c.words*wide(c)})})});
if(here.length>1&&sized.length){var p=put(out,"p","Of the same size: ");sized.slice(0,40).forEach(function(c,i){if(i)p.append(", ");link(p,c)});if(sized.length>40)p.append(" and "+(sized.length-40)+" more");p.append(".")}
else if(here.length>1){var most=Math.max.apply(null,here.map(function(c){return c.words*wide(c)}));
put(out,"p","No chip of this page has the size of your file"+(reads[0].bytes.length>most?"; the largest here holds "+many(most,"byte"):"")+".")}}

if(sha256(new Uint8Array(0)).slice(0,16)!=="e3b0c44298fc1c14"){put(box,"p","This browser does not compute SHA-256 as FIPS 180-4 has it; nothing is compared.");return}
// ---- The field, and files dropped anywhere on the page.
var ask=put(box,"p"),label=put(ask,"label","Your dump: "),field=document.createElement("input");
field.type="file";field.multiple=true;label.appendChild(field);ask.append(" or drop it anywhere on this page.");
var out=put(box,"div");out.setAttribute("role","status");out.id="compared";
function take(files){
out.textContent="";
Array.prototype.slice.call(files,0,20).forEach(function(file){
var own=put(out,"section",undefined,"compared");
if(file.size>MOST){put(own,"h3",file.name);put(own,"p","The file is larger than 64 MiB, and so than any chip; it was not read.");return}
var reader=new FileReader();
reader.onload=function(){tell(own,file.name,new Uint8Array(reader.result));own.dataset.done="yes"};
reader.onerror=function(){put(own,"p",file.name+" could not be read. A folder cannot be compared; drop its files.");own.dataset.done="yes"};
reader.readAsArrayBuffer(file)});
box.scrollIntoView({block:"nearest"})}
field.addEventListener("change",function(){take(field.files);field.value=""});
addEventListener("dragover",function(e){e.preventDefault()});
addEventListener("drop",function(e){e.preventDefault();if(e.dataTransfer&&e.dataTransfer.files.length)take(e.dataTransfer.files)});
box.querySelectorAll(".unscripted").forEach(function(e){e.remove()});
})();
