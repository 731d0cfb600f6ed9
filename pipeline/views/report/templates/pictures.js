(function(){"use strict";
function hex(n,d){return"0x"+n.toString(16).toUpperCase().padStart(d,"0")}
function dots(img,then){if(!img)return then(null);var pic=new Image();pic.onload=function(){var c=document.createElement("canvas");c.width=pic.width;c.height=pic.height;var x=c.getContext("2d",{willReadFrequently:true});x.drawImage(pic,0,0);then(x.getImageData(0,0,c.width,c.height))};pic.src=img.getAttribute("href")}
function at(data,x,y){return data?data.data[4*(y*data.width+x)+3]:0}
function shape(svg){var g=svg.dataset.w.split(" ").map(Number);return{words:g[0],bits:g[1],per:g[2],avg:g[3],left:g[4],top:g[5],scale:g[6]}}
function column(g,a,i,lanes){return lanes?i*g.per+a%g.per:a%g.per*g.bits+i}
function row(g,a){return Math.floor(Math.floor(a/g.per)/g.avg)}
function chip(whole){
var raster=whole.querySelector("svg.raster");if(!raster)return;
var g=shape(raster),digits=Math.max(3,Math.ceil(Math.log2(Math.max(2,g.words))/4)),ones=null,unread=null,doubt=null,ready=0;
var doubtful=whole.querySelector("svg.doubt image.mask");
dots(raster.querySelector("image.bits"),function(d){ones=d;ready++;widths()});
dots(raster.querySelector("image.unread-dots"),function(d){unread=d;ready++;widths()});
dots(doubtful,function(d){doubt=d;ready++;widths()});
function lines(data,a,lanes){var out=[],i;for(i=0;i<g.bits;i++)if(at(data,column(g,a,i,lanes),row(g,a))>0)out.push("D"+(g.bits-1-i));return out.join(", ")}
function say(a){
if(ready<3)return"";var y=row(g,a),s="",v=0n,i,open=lines(doubt,a,true);
if(unread&&at(unread,column(g,a,0,false),y)>127)return hex(a,digits)+" was not read";
if(g.avg>1){for(i=0;i<g.bits;i++)s+=(i?" ":"")+"D"+(g.bits-1-i)+" "+Math.round(at(ones,column(g,a,i,false),y)/2.55)+"%";
s=hex(y*g.avg*g.per+a%g.per,digits)+" and "+(g.avg-1)+" words "+g.per+" apart: "+s}
else{for(i=0;i<g.bits;i++){var b=at(ones,column(g,a,i,false),y)>127?1:0;s+=b;v=v*2n+BigInt(b)}
s=hex(a,digits)+" holds "+v.toString(16).toUpperCase().padStart(Math.ceil(g.bits/4),"0")+" ("+s+")"}
return s+(open?"; "+open+" unresolved":"")}
whole.querySelectorAll("svg[data-w]").forEach(function(svg){
var lanes=svg.classList.contains("lanes"),own=null,a=0,out=document.createElement("output"),told=false,pressed=false;
if(svg.classList.contains("difference"))dots(svg.querySelector("image.mask"),function(d){own=d});
out.className="probe";out.textContent=svg===raster?"Point at or tap a picture, or focus it and move with the arrow keys.":"";
(svg.closest(".pan")||svg).after(out);svg.setAttribute("tabindex","0");
var box=document.createElementNS("http://www.w3.org/2000/svg","rect");box.setAttribute("fill","none");box.setAttribute("stroke","currentColor");box.setAttribute("visibility","hidden");svg.appendChild(box);
function show(n){a=Math.max(0,Math.min(g.words-1,n));told=true;
var l=own?lines(own,a,true):"";out.textContent=own?hex(a,digits)+": "+(l?l+" differ":"no difference"):say(a);
box.setAttribute("x",g.left+(lanes?a%g.per:a%g.per*g.bits)*g.scale-1);box.setAttribute("y",g.top+row(g,a)*g.scale-1);box.setAttribute("width",(lanes?(g.bits-1)*g.per+1:g.bits)*g.scale+2);box.setAttribute("height",Math.max(g.scale,3)+2);box.setAttribute("visibility","visible")}
function point(e){var m=svg.getScreenCTM();if(!m)return;var p=new DOMPoint(e.clientX,e.clientY).matrixTransform(m.inverse());
var c=Math.floor((p.x-g.left)/g.scale),r=Math.floor((p.y-g.top)/g.scale);if(c<0||c>=g.per*g.bits||r<0||r*g.avg*g.per>=g.words)return;
show(r*g.avg*g.per+(lanes?c%g.per:Math.floor(c/g.bits)))}
svg.addEventListener("pointermove",point);svg.addEventListener("pointerdown",function(e){pressed=true;point(e)});
svg.addEventListener("focus",function(){if(!pressed&&!told)show(a)});
svg.addEventListener("keydown",function(e){var m={ArrowLeft:-1,ArrowRight:1,ArrowUp:-g.per*g.avg,ArrowDown:g.per*g.avg,Home:-g.words,End:g.words}[e.key];if(m===undefined)return;e.preventDefault();show(a+m)});});
function widths(){
if(ready<3||g.avg>1||!ones)return;var all=[8,16,32,64,128,256].filter(function(n){return n<=g.words/2&&n*g.bits<=4096});if(all.indexOf(g.per)<0)all.push(g.per);all.sort(function(x,y){return x-y});if(all.length<2)return;
var set=document.createElement("fieldset"),pan=raster.closest(".pan"),canvas=document.createElement("canvas");
set.className="widths";set.innerHTML="<legend>Words a row</legend>";canvas.className="rewrapped";canvas.hidden=true;canvas.setAttribute("role","img");pan.appendChild(canvas);pan.before(set);
all.forEach(function(n){var l=document.createElement("label"),i=document.createElement("input");i.type="radio";i.name="width-"+whole.id;i.checked=n===g.per;i.addEventListener("change",function(){draw(n)});l.append(i," "+n);set.append(l)});
function draw(per){canvas.hidden=per===g.per;raster.toggleAttribute("hidden",per!==g.per);if(per===g.per)return;
var style=getComputedStyle(whole),ink=rgb(style,"--dots"),amber=rgb(style,"--doubt"),grey=rgb(style,"--soft"),rows=Math.ceil(g.words/per),s=Math.max(1,Math.floor(384/(per*g.bits))),x=canvas.getContext("2d"),pic=document.createElement("canvas"),a,i;
pic.width=per*g.bits;pic.height=rows;var p=pic.getContext("2d"),d=p.createImageData(pic.width,rows);
for(a=0;a<g.words;a++){var y=row(g,a),gone=unread&&at(unread,column(g,a,0,false),y)>127;for(i=0;i<g.bits;i++){var k=4*(Math.floor(a/per)*pic.width+a%per*g.bits+i),open=doubt&&at(doubt,column(g,a,i,true),y)>0,c=gone?grey:open?amber:ink;
if(gone?(i+a)%2:open||at(ones,column(g,a,i,false),y)>127){d.data[k]=c[0];d.data[k+1]=c[1];d.data[k+2]=c[2];d.data[k+3]=255}}}
p.putImageData(d,0,0);canvas.width=g.left+pic.width*s;canvas.height=20+rows*s;x.imageSmoothingEnabled=false;x.drawImage(pic,g.left,20,pic.width*s,rows*s);
x.fillStyle=style.getPropertyValue("--soft");x.font="10.5px ui-monospace,Menlo,Consolas,monospace";x.textAlign="right";
for(a=0;a<rows;a+=Math.ceil(30/s))x.fillText(hex(a*per,digits).slice(2),g.left-6,28+a*s);
x.textAlign="left";for(i=0;i<per;i+=Math.max(1,per/4))x.fillText("+"+i.toString(16).toUpperCase(),g.left+i*g.bits*s,12);
canvas.setAttribute("aria-label","The same image with "+per+" words a row")}}
function rgb(style,name){var c=document.createElement("canvas").getContext("2d");c.fillStyle=style.getPropertyValue(name).trim();c.fillRect(0,0,1,1);return c.getImageData(0,0,1,1).data}}
document.querySelectorAll("section.chip").forEach(chip);
document.querySelectorAll(".listing pre").forEach(function(pre){
if(!navigator.clipboard)return;var out=document.createElement("output");out.className="probe";out.textContent="A click on a row's address copies the link to it.";pre.before(out);
pre.addEventListener("click",function(e){var a=e.target.closest("a");if(!a)return;var s="0x"+a.textContent;navigator.clipboard.writeText(s).then(function(){out.textContent=s+" copied"},function(){out.textContent=s+" not copied"})})});
function open(){var e=location.hash&&document.getElementById(decodeURIComponent(location.hash.slice(1))),p=e;if(!e)return;var shut=false;for(;p;p=p.parentElement)if(p.tagName==="DETAILS"&&!p.open){p.open=true;shut=true}if(shut)e.scrollIntoView({block:"center"})}
addEventListener("hashchange",open);open();
})();
