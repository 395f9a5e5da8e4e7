import java.io.FileOutputStream;
import java.io.IOException;
import java.nio.file.Files;
import java.nio.file.Path;
import java.util.List;
import java.util.zip.CRC32;
import java.util.zip.ZipEntry;
import java.util.zip.ZipOutputStream;

/** Writes a zip with Java's own writer: Export ZIP deflated|stored MILLISECONDS LIST; in LIST a name and a file to each line. */
public final class Export {
    public static void main(String[] given) throws IOException {
        boolean stored = given[1].equals("stored");
        long time = Long.parseLong(given[2]);
        List<String> lines = Files.readAllLines(Path.of(given[3]));
        try (ZipOutputStream zip = new ZipOutputStream(new FileOutputStream(given[0]))) {
            for (String line : lines) {
                String[] pair = line.split("\t");
                byte[] content = Files.readAllBytes(Path.of(pair[1]));
                ZipEntry entry = new ZipEntry(pair[0]);
                entry.setTime(time);
                if (stored) {
                    CRC32 crc = new CRC32();
                    crc.update(content);
                    entry.setMethod(ZipEntry.STORED);
                    entry.setSize(content.length);
                    entry.setCompressedSize(content.length);
                    entry.setCrc(crc.getValue());
                }
                zip.putNextEntry(entry);
                zip.write(content);
                zip.closeEntry();
            }
        }
    }
}
